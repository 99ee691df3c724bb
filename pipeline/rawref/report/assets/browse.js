/* The pages that compare ingredients and list the source foods, drawn from compare.js and catalogue.js. */
(function () {
  "use strict";
  var doc = document, MOST = 200;
  function put(tag, text, into, where) {
    var made = doc.createElement(tag);
    if (text !== "") { made.textContent = text; }
    if (where) { made.setAttribute(tag === "a" ? "href" : "class", where); }
    into.appendChild(made);
    return made;
  }
  function clear(box) { while (box.firstChild) { box.removeChild(box.firstChild); } }

  function compare(form) {
    var data = window.rawrefCompare, out = doc.querySelector("[data-compared]"), byId = {}, selects = [];
    data.ingredients.forEach(function (of) { byId[of[0]] = of; });
    for (var n = 1; n <= 4; n += 1) {
      var label = put("label", "Ingredient " + n + " ", form), select = put("select", "", label);
      var none = put("option", "none", select);
      none.value = "";
      data.ingredients.forEach(function (of) { put("option", of[1], select).value = of[0]; });
      selects.push(select);
    }
    doc.querySelector("[data-key]").textContent = Object.keys(data.statuses).map(function (letter) {
      return letter + " " + data.statuses[letter];
    }).join(", ") + ".";
    function draw() {
      var chosen = selects.map(function (s) { return byId[s.value]; }).filter(Boolean);
      clear(out);
      if (!chosen.length) { put("p", "Choose two to four ingredients.", out, "note"); return; }
      var table = put("table", "", out, "list compared"), head = put("tr", "", put("thead", "", table));
      put("th", "Component", head).scope = "col";
      chosen.forEach(function (of) {
        var cell = put("th", "", head, "n");
        cell.scope = "col";
        put("a", of[1], cell, "ingredient/" + of[0] + ".html");
      });
      var body, group = "";
      data.components.forEach(function (c, at) {
        if (c[3] !== group) {
          group = c[3];
          body = put("tbody", "", table);
          var title = put("th", group, put("tr", "", body), "group");
          title.scope = "colgroup";
          title.colSpan = chosen.length + 1;
        }
        var row = put("tr", "", body), name = put("th", "", row);
        name.scope = "row";
        put("a", c[1], name, "component/" + c[0] + ".html");
        put("small", " " + c[2], name);
        chosen.forEach(function (of) {
          var cell = put("td", "", row, "n"), text = of[2][at];
          var words = text === "?" ? "unknown" : text === "-" ? "none by nature" : text;
          var link = put("a", words, cell, "ingredient/" + of[0] + ".html#" + c[0]);
          if (words !== text) { link.className = text === "?" ? "unknown" : "nature"; } else {
            put("abbr", " " + of[3][at], cell).title = data.statuses[of[3][at]] || "";
          }
        });
      });
    }
    function changed() {
      var ids = selects.map(function (s) { return s.value; }).filter(Boolean).join(",");
      try { history.replaceState(null, "", ids ? "#compare=" + ids : location.pathname); } catch (error) { /* none */ }
      draw();
    }
    function recall() {
      var ids = location.hash.indexOf("#compare=") === 0 ? location.hash.slice(9).split(",") : [];
      selects.forEach(function (s, at) { s.value = byId[ids[at]] ? ids[at] : ""; });
      draw();
    }
    form.addEventListener("submit", function (event) { event.preventDefault(); });
    form.addEventListener("change", changed);
    window.addEventListener("hashchange", recall);
    recall();
  }

  function catalogue(form) {
    var data = window.rawrefCatalogue, body = doc.querySelector("[data-foods]");
    var said = doc.querySelector("[data-found]");
    var look = window.rawrefSearch;
    var texts = data.foods.map(function (f) {
      return look.wordsOf(f[2] + " " + f[1] + " " + data.groups[f[3]] + " " + f[5].join(" "));
    });
    function draw() {
      var units = look.unitsOf(form.elements.q.value);
      var source = form.elements.source.value, use = form.elements.use.value;
      var hits = data.foods.filter(function (f, at) {
        return (source === "" || f[0] === Number(source)) &&
          (!use || use === "used" && f[5].length || use === "free" && f[4] === 2 && !f[5].length ||
            use === "review" && f[4] === 1) &&
          look.answers(units, texts[at], true);
      });
      clear(body);
      hits.slice(0, MOST).forEach(function (f) {
        var row = put("tr", "", body), name = put("th", "", row);
        name.scope = "row";
        put("bdi", f[2], name);
        put("td", data.sources[f[0]], row, "id");
        put("td", f[1], row, "id");
        put("td", data.groups[f[3]], row, "at");
        var cell = put("td", f[5].length ? "" : f[4] === 2 ? "not used" : "needs review", row);
        f[5].forEach(function (id, at) {
          if (at) { cell.appendChild(doc.createTextNode(", ")); }
          put("a", id, cell, "ingredient/" + id + ".html");
        });
      });
      said.textContent = hits.length + " foods" + (hits.length > MOST ? ", the first " + MOST + " shown" : "");
    }
    form.addEventListener("submit", function (event) { event.preventDefault(); });
    form.addEventListener("input", draw);
    form.addEventListener("reset", function () { setTimeout(draw, 0); });
    draw();
  }

  var form = doc.querySelector("form[data-compare]");
  if (form) { compare(form); }
  form = doc.querySelector("form[data-catalogue]");
  if (form) { catalogue(form); }
})();
