/* Search, sort, copy, deep links and the arrow keys of the map. Without it every page still shows everything. */
(function () {
  "use strict";
  var doc = document;
  doc.documentElement.classList.add("js");
  function all(selector, from) { return Array.prototype.slice.call((from || doc).querySelectorAll(selector)); }
  function one(selector, from) { return (from || doc).querySelector(selector); }

  var fillChain = null;

  /* Deep links: an address ending in #VITD opens the chain of that cell. */
  function reveal() {
    var id = "";
    try { id = decodeURIComponent(location.hash.slice(1)); } catch (error) { return; }
    var target = id && id.indexOf("=") < 0 && doc.getElementById(id);
    if (!target) { return; }
    /* What a filter hides is shown when a link asks for it. */
    var row = target.closest("[hidden]");
    if (row) {
      row.hidden = false;
      all("form[data-filter]").forEach(function (form) { if (doc.getElementById(form.getAttribute("data-filter")).contains(row)) { form.reset(); } });
    }
    var box = target.closest("details");
    if (box) {
      box.open = true;
      if (fillChain && target === box) { fillChain(box); }
      one("summary", box).focus({ preventScroll: true });
    }
    target.scrollIntoView({ block: box ? "center" : "start" });
  }

  /* Words as lookup/words.py has them: small letters, no marks, singular; what else a word means is in words.js. */
  var meant = (window.rawrefWords || {}).means || {};
  function singular(word) {
    if (word.length <= 3 || /(ss|us|is|as)$/.test(word)) { return word; }
    if (/ies$/.test(word) && word.length > 5) { return word.slice(0, -3) + "y"; }
    if (/(ches|shes|xes|oes)$/.test(word)) { return word.slice(0, -2); }
    return /s$/.test(word) ? word.slice(0, -1) : word;
  }
  function wordsOf(text) {
    return (text.toLowerCase().normalize("NFKD").replace(/\p{M}/gu, "").match(/[\p{L}\p{N}]+/gu) || []).map(singular);
  }
  /* The words as they are said come first, unless the data have them in another place. */
  function alternatives(said, means) {
    return means.some(function (words) { return words.join(" ") === said; }) ? means : [said.split(" ")].concat(means);
  }
  /* The units of a question; each is a list of alternatives, the likeliest first, an alternative a list of words. */
  function unitsOf(text) {
    var words = wordsOf(text), units = [], at = 0;
    while (at < words.length) {
      var size = 0;
      for (var n = Math.min(3, words.length - at); n > 0 && !size; n -= 1) {
        if (meant[words.slice(at, at + n).join(" ")]) { size = n; }
      }
      var phrase = words.slice(at, at + Math.max(size, 1));
      units.push(size ? alternatives(phrase.join(" "), meant[phrase.join(" ")]) : [phrase]);
      at += Math.max(size, 1);
    }
    return units;
  }
  /* Whether a text with these words answers the question; the word that is being typed may be a beginning. */
  function answers(units, words, typing) {
    return units.every(function (unit, at) {
      var open = typing && at === units.length - 1 && unit.length === 1;
      return unit.some(function (alternative) {
        return alternative.every(function (word) {
          return words.indexOf(word) >= 0 || open && words.some(function (held) { return held.indexOf(word) === 0; });
        });
      });
    });
  }

  /* Which alternative of each unit the words hold, the likeliest as 0. */
  function likely(units, words) {
    return units.map(function (unit) {
      var at = unit.findIndex(function (alternative) {
        return alternative.every(function (word) { return words.indexOf(word) >= 0; });
      });
      return at < 0 ? unit.length : at;
    });
  }
  function inOrder(a, b) {
    for (var at = 0; at < a.length; at += 1) { if (a[at] !== b[at]) { return a[at] - b[at]; } }
    return 0;
  }

  window.rawrefSearch = { wordsOf: wordsOf, unitsOf: unitsOf, answers: answers };

  /* The search of the start page: components and ingredients, the shortest names first. */
  function search(form) {
    var list = one("[data-results]");
    var entries = ((window.rawrefWords || {}).entries || []).map(function (entry) {
      return { name: entry[0], href: entry[1], kind: entry[2], cautions: entry[4] || "", words: Array.from(new Set(wordsOf(entry[0] + " " + entry[3]))) };
    });
    function show() {
      var units = unitsOf(form.elements.q.value);
      while (list.firstChild) { list.removeChild(list.firstChild); }
      if (!units.length) { return; }
      var hits = entries.filter(function (entry) { return answers(units, entry.words, true); });
      hits.forEach(function (entry) { entry.likely = likely(units, entry.words); });
      hits.sort(function (a, b) {
        return (a.kind === "component" ? 0 : 1) - (b.kind === "component" ? 0 : 1) || inOrder(a.likely, b.likely) ||
          a.words.length - b.words.length;
      });
      hits.slice(0, 12).forEach(function (entry) {
        var item = doc.createElement("li"), link = doc.createElement("a");
        link.href = entry.href;
        link.textContent = entry.name;
        item.appendChild(link);
        var more = doc.createElement("span");
        more.className = "at";
        more.textContent = entry.kind === "component" ? " component" : entry.cautions ? " cautions: " + entry.cautions : "";
        item.appendChild(more);
        list.appendChild(item);
      });
      if (hits.length > 12 || !hits.length) {
        var last = doc.createElement("li");
        last.textContent = hits.length ? "and " + (hits.length - 12) + " more: use the list of ingredients" : "nothing has these words";
        list.appendChild(last);
      }
    }
    form.addEventListener("submit", function (event) {
      event.preventDefault();
      var first = one("a", list);
      if (first) { location.href = first.href; }
    });
    form.addEventListener("input", show);
    if (form.elements.q.value) { show(); }
  }

  /* Filters: each field of a form is matched with the data attribute of the same name on a row. */
  function filter(form) {
    var name = form.getAttribute("data-filter");
    var table = doc.getElementById(name);
    if (!table) { return; }
    var rows = table.tBodies ? all("tr", table.tBodies[0]) : all("[data-row]", table);
    /* What a row is searched by: its own words, else its heading and the page that it leads to. */
    var texts = rows.map(function (row) {
      if (row.hasAttribute("data-q")) { return wordsOf(row.getAttribute("data-q")); }
      return wordsOf(row.cells[0].textContent + " " + one("a", row).getAttribute("href"));
    });
    var hits = one('[data-hits="' + name + '"]');
    var none = one('[data-none="' + name + '"]');
    var columns = one("[data-columns]", form);

    function apply() {
      var units = unitsOf(form.elements.q ? form.elements.q.value : "");
      var wanted = all("select[name]", form).filter(function (select) { return select.value && select !== columns; });
      var shown = 0;
      rows.forEach(function (row, at) {
        var text = texts[at];
        var fits = answers(units, text, true) && wanted.every(function (select) {
          return (row.getAttribute("data-" + select.name) || "").split(" ").indexOf(select.value) >= 0;
        });
        row.hidden = !fits;
        if (fits) { shown += 1; }
      });
      if (hits) {
        hits.textContent = (shown === rows.length ? rows.length : shown + " of " + rows.length) + " " + hits.getAttribute("data-noun");
      }
      if (none) { none.hidden = shown > 0; }
      if (columns) { zoom(table, columns.value); }
      remember();
    }
    /* The state goes into the address after #, so that a filtered list can be linked to. */
    function remember() {
      var state = all("input[name], select[name]", form).filter(function (field) { return field.value; }).map(function (field) {
        return field.name + "=" + encodeURIComponent(field.value);
      }).join("&");
      if (state || location.hash.indexOf("=") > 0) {
        try { history.replaceState(null, "", state ? "#" + state : location.pathname + location.search); } catch (error) { /* no address to keep it in */ }
      }
    }
    function recall() {
      if (location.hash.indexOf("=") < 0) { return; }
      location.hash.slice(1).split("&").forEach(function (pair) {
        var at = pair.indexOf("=");
        var field = form.elements[pair.slice(0, at)];
        try { if (field) { field.value = decodeURIComponent(pair.slice(at + 1)); } } catch (error) { /* not ours */ }
      });
    }
    form.addEventListener("submit", function (event) { event.preventDefault(); });
    form.addEventListener("input", apply);
    /* Of a field that is left the change comes after the address of the link that was taken, and would take it back. */
    form.addEventListener("change", function (event) { if (event.target.tagName === "SELECT") { apply(); } });
    form.addEventListener("reset", function () { setTimeout(apply, 0); });
    all('[data-clear="' + name + '"]').forEach(function (button) {
      button.addEventListener("click", function () { form.reset(); if (form.elements.q) { form.elements.q.focus(); } });
    });
    recall();
    apply();
    window.addEventListener("hashchange", function () { if (location.hash.indexOf("=") > 0) { recall(); apply(); } });
  }
  function zoom(table, wanted) {
    var heads = all("thead th[data-tag]", table);
    heads.forEach(function (head, at) {
      var off = Boolean(wanted) && head.getAttribute("data-group") !== wanted && head.getAttribute("data-tag") !== wanted;
      if (head.classList.contains("off") === off) { return; }
      all("tr", table).forEach(function (row) { row.children[at + 1].classList.toggle("off", off); });
    });
  }

  /* Sorting: a heading becomes a button; rows without a number stay at the end either way. */
  function sortable(table) {
    all("thead th[data-sort]", table).forEach(function (head) {
      var at = Array.prototype.indexOf.call(head.parentNode.children, head);
      var numeric = head.getAttribute("data-sort") === "number";
      var button = doc.createElement("button");
      button.type = "button";
      button.className = "sort";
      while (head.firstChild) { button.appendChild(head.firstChild); }
      head.appendChild(button);
      button.addEventListener("click", function () {
        var down = head.getAttribute("aria-sort") === (numeric ? "descending" : "ascending");
        var direction = numeric ? (down ? 1 : -1) : (down ? -1 : 1);
        all("thead th[aria-sort]", table).forEach(function (other) { other.removeAttribute("aria-sort"); });
        head.setAttribute("aria-sort", direction > 0 ? "ascending" : "descending");
        var body = table.tBodies[0];
        var keyed = all("tr", body).map(function (row, place) {
          var cell = row.children[at];
          var shown = cell.textContent.trim();
          var raw = !numeric ? shown.toLowerCase() : cell.hasAttribute("data-v") ? cell.getAttribute("data-v")
            : /^\(?[0-9.]+\)?$/.test(shown) ? shown.replace(/[()]/g, "") : "";
          return { row: row, place: place, key: numeric ? (raw ? Number(raw) : null) : raw };
        });
        keyed.sort(function (a, b) {
          if (numeric && (a.key === null || b.key === null)) { return (a.key === null) - (b.key === null) || a.place - b.place; }
          return (a.key < b.key ? -1 : a.key > b.key ? 1 : 0) * direction || a.place - b.place;
        });
        keyed.forEach(function (item) { body.appendChild(item.row); });
      });
    });
  }

  /* Copying: the rows of values.csv of this ingredient, embedded in the page. */
  function unpacked(data) {
    var texts = ((window.rawrefChain || {}).texts || []).concat(data.words);
    function meant(column, value) { return value === null || data.numeric.indexOf(column) >= 0 ? value : texts[value]; }
    return { columns: data.columns, rows: data.rows.map(function (row) {
      var next = 0;
      return data.columns.map(function (column) {
        return meant(column, Object.prototype.hasOwnProperty.call(data.same, column) ? data.same[column] : row[next++]);
      });
    }), gaps: Object.keys(data.gaps).reduce(function (made, key) {
      made[key] = data.gaps[key].map(function (at) { return texts[at]; });
      return made;
    }, {}) };
  }
  function quoted(value) {
    if (value === null) { return ""; }
    if (typeof value === "number") { return String(value); }
    var text = value;
    /* A text that a spreadsheet would run as a formula gets an apostrophe in the copy; the files have it verbatim. */
    if (/^[=+\-@\t\r]/.test(text)) { text = "'" + text; }
    return /[",\r\n]/.test(text) ? '"' + text.replace(/"/g, '""') + '"' : text;
  }
  function asCsv(data) {
    return [data.columns].concat(data.rows).map(function (row) { return row.map(quoted).join(","); }).join("\r\n") + "\r\n";
  }
  function asJson(data) {
    return JSON.stringify(data.rows.map(function (row) {
      var made = {};
      data.columns.forEach(function (column, at) {
        made[column] = /^(steps|reference_ids|alternatives)$/.test(column) ? JSON.parse(row[at]) : row[at];
      });
      return made;
    }), null, 1);
  }
  function put(text, done) {
    function old() {
      var area = doc.createElement("textarea");
      area.value = text;
      doc.body.appendChild(area);
      area.select();
      var worked = false;
      try { worked = doc.execCommand("copy"); } catch (error) { worked = false; }
      area.remove();
      done(worked);
    }
    if (navigator.clipboard && window.isSecureContext) {
      navigator.clipboard.writeText(text).then(function () { done(true); }, old);
    } else { old(); }
  }
  /* Chains: what a cell was read from and how it was chosen, from its row of values.csv and the words of chain.js. */
  function chains() {
    var data = unpacked(JSON.parse(doc.getElementById("cells-data").textContent));
    var details = JSON.parse(doc.getElementById("detail-data").textContent);
    var common = window.rawrefChain || {};
    var rows = {};
    data.rows.forEach(function (row) {
      var made = {};
      data.columns.forEach(function (column, at) { made[column] = row[at]; });
      rows[made.component] = made;
    });
    function word(list, code) { return (common[list] || {})[code] || ""; }
    function plain(text) { return (text || "").replace(/[_-]/g, " "); }
    function bit(tag, text, where) {
      var made = doc.createElement(tag);
      made.textContent = text;
      if (where) { made.setAttribute(tag === "a" ? "href" : "class", where); }
      return made;
    }
    function micro(text) { return (text || "").replace(/(\d )ug\b/g, "$1\u00b5g"); }
    function unitOf(cell) { return cell.unit === "ug" ? "\u00b5g" : cell.unit; }
    function fill(box) {
      if (one(".chain", box)) { return; }
      var chain = doc.createElement("div"), list = doc.createElement("dl");
      var c = rows[box.id], more = details.cells[box.id] || {};
      chain.className = "chain";
      function say(name) {
        var said = doc.createElement("dd");
        list.appendChild(bit("dt", name));
        Array.prototype.slice.call(arguments, 1).forEach(function (part) {
          if (part) { said.appendChild(typeof part === "string" ? doc.createTextNode(part) : part); }
        });
        list.appendChild(said);
      }
      var gap = data.gaps[box.id];
      if (gap) {
        var kind = word("gap_kind", gap[0]) || plain(gap[0]);
        say("Gap", bit("b", kind), gap[1] && gap[1] !== kind ? ": " + micro(gap[1]) : "", ". To fill it: " + micro(gap[2]), gap[3] ? ". Asked for by " + gap[3] : "");
      }
      if (c.value !== null) { say("Exactly", c.value + " " + unitOf(c)); }
      if (c.low !== null || c.high !== null) {
        say("Range", (c.low === null ? "unknown" : c.low) + " to " + (c.high === null ? "unknown" : c.high) + " " + unitOf(c),
          c.spread_basis ? ": " + (word("spread_basis", c.spread_basis) || c.spread_basis) : "");
      }
      if (c.source) {
        say("Printed as", bit("q", c.source_value || ""), " " + (c.source_unit || "") + ", component " + c.source_component,
          c.n !== null ? ", " + c.n + " samples stated" : "");
        codes(c).forEach(function (code) { say(code, details.codes[code] || "not described by the registry"); });
        if (c.donor_food_id) { say("Borrowed by it", "from its food " + c.donor_food_id + (c.donor_state ? ", " + c.donor_state : "")); }
        say("For the food", c.food_name + ", " + c.food_id + ", match " + c.match_quality + ": " + word("match_quality", c.match_quality));
      }
      var steps = JSON.parse(c.steps || "[]");
      if (steps.length || c.source) {
        say.apply(null, ["Steps"].concat(steps.length ? [] : ["none"], steps.reduce(function (made, step, at) {
          return made.concat([at ? "; " : "", bit("a", step, "../dictionary.html#step-" + step), ": " + word("steps", step)]);
        }, [])));
      }
      (more.parts || []).forEach(function (p) {
        say("Part", p[0] + " % ", bit("a", p[1], p[1] + ".html#" + c.component), ": " + p[2] + " (" + p[3] + "); share from " + p[4]);
      });
      say("Why this", micro(c.reason), c.decision_id ? "; decision " : "", c.decision_id ? bit("a", c.decision_id, "../quality.html#decision-" + c.decision_id) : "");
      if (more.peers) {
        say("Comparable", more.peers[0] + (more.peers[0] === 1 ? " food" : " foods") + ", 5th percentile " + more.peers[1] + ", median " + more.peers[2] + ", 95th " + more.peers[3] + " " + unitOf(c));
      }
      JSON.parse(c.reference_ids || "[]").forEach(function (id) {
        var reference = details.references[id];
        if (reference) { say("Reference", reference[0] + " ", reference[1] ? bit("a", reference[1], reference[1]) : ""); }
      });
      if (c.disagreement !== null) { say("Disagreement", "the largest evidence value of independent sources is " + Number(Number(c.disagreement).toPrecision(3)) + " times the smallest"); }
      if (word("notes", c.component)) { say("Note", word("notes", c.component)); }
      if (c.source) {
        say("On the line", bit("a", c.source, "../sources.html#" + c.source), " release " + c.release + ", ", bit("a", c.file, "#files"),
          " ", bit("b", (/!/.test(c.line || "") ? "" : "line ") + c.line));
        if (more.text) { say("The line itself", bit("span", more.text, "line")); }
      }
      chain.appendChild(list);
      box.appendChild(chain);
    }
    function codes(c) {
      if (!c.derivation) { return []; }
      if (c.source !== "usda-sr28") { return ["derivation " + c.derivation]; }
      var pair = c.derivation.split("/");
      return ["source code " + pair[0]].concat(pair[1] ? ["derivation " + pair.slice(1).join("/")] : []);
    }
    all(".cells details").forEach(function (box) {
      box.addEventListener("toggle", function () { if (box.open) { fill(box); } });
    });
    return fill;
  }
  /* A strip from its letters (drawings.py): ticks of comparable foods, median, range, value, end of the axis. Its chain
     says the same in words, so it is hidden from screen readers. */
  function strip(cell) {
    var said = cell.getAttribute("data-strip").split(" "), made = drawn("svg", { "class": "strip", viewBox: "0 0 150 30", "aria-hidden": "true" }, cell);
    cell.insertBefore(made, cell.firstChild);
    var range = said[2].split("+");
    function path(look, d) { drawn("path", { "class": look, d: d }, made); }
    path("k", said[0].replace(/./g, function (letter) {
      return "M" + (3 + 3 * "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz".indexOf(letter)) + " 6v8";
    }));
    if (said[1] !== "-") { path("m", "M" + (3 + Number(said[1])) + " 2v16"); }
    if (range.length > 1) { path("r", "M" + (3 + Number(range[0])) + " 10h" + range[1]); }
    if (said[3] !== "-") { path("v", "M" + (3 + Number(said[3])) + " 5l5 5-5 5-5-5z"); }
    drawn("text", { y: 29 }, made).textContent = "0";
    drawn("text", { x: 150, y: 29, "class": "end" }, made).textContent = said.slice(4).join(" ");
  }
  function drawn(name, given, into) {
    var made = doc.createElementNS("http://www.w3.org/2000/svg", name);
    Object.keys(given).forEach(function (key) { made.setAttribute(key, given[key]); });
    into.appendChild(made);
    return made;
  }
  function tools() {
    all("[data-strip]").forEach(strip);
    fillChain = chains();
    var store = doc.getElementById("cells-data");
    var said = one(".said");
    all("[data-copy]").forEach(function (button) {
      button.addEventListener("click", function () {
        var data = unpacked(JSON.parse(store.textContent));
        var kind = button.getAttribute("data-copy");
        put(kind === "csv" ? asCsv(data) : asJson(data), function (worked) {
          said.textContent = worked ? data.rows.length + " rows copied as " + kind.toUpperCase() : "The browser refused to copy: take the files from Download.";
          button.focus();
        });
      });
    });
    all("[data-open-all]").forEach(function (button) {
      button.addEventListener("click", function () {
        var open = button.getAttribute("aria-pressed") !== "true";
        button.setAttribute("aria-pressed", String(open));
        button.textContent = open ? "Close every chain" : "Open every chain";
        all(".cells details").forEach(function (box) { box.open = open; if (open) { fillChain(box); } });
      });
    });
    all(".cells details").forEach(function (box) {
      box.addEventListener("toggle", function () {
        if (box.open && !one('[data-open-all][aria-pressed="true"]')) {
          try { history.replaceState(null, "", "#" + box.id); } catch (error) { /* no address to keep it in */ }
        }
      });
    });
  }

  /* The map: one cell takes part in tabbing, the arrow keys move it, the line above says what is under it. */
  function map(table) {
    var line = one('[data-read="' + table.id + '"]');
    var heads = all("thead th", table);
    all("td a", table).forEach(function (link, at) { link.tabIndex = at ? -1 : 0; });
    function tell(link) {
      var row = link.closest("tr");
      var head = heads[link.closest("td").cellIndex];
      line.textContent = one("th", row).textContent + ", " + one("a", head).title + ": " + link.getAttribute("aria-label");
    }
    function move(link, down, across) {
      var cell = link.closest("td");
      var row = cell.parentNode;
      var next = cell;
      do {
        if (down) { row = down > 0 ? row.nextElementSibling : row.previousElementSibling; next = row && row.children[cell.cellIndex]; }
        else { next = across > 0 ? next.nextElementSibling : next.previousElementSibling; }
      } while (next && (row.hidden || next.classList.contains("off")));
      return next && one("td a", next.parentNode) && next.matches("td") ? one("a", next) : null;
    }
    table.addEventListener("focusin", function (event) {
      var link = event.target.closest("td a");
      if (!link) { return; }
      all('td a[tabindex="0"]', table).forEach(function (other) { other.tabIndex = -1; });
      link.tabIndex = 0;
      tell(link);
    });
    table.addEventListener("mouseover", function (event) { var link = event.target.closest("td a"); if (link) { tell(link); } });
    table.addEventListener("keydown", function (event) {
      var link = event.target.closest("td a");
      var step = { ArrowDown: [1, 0], ArrowUp: [-1, 0], ArrowRight: [0, 1], ArrowLeft: [0, -1] }[event.key];
      if (!link || !step || event.altKey || event.ctrlKey || event.metaKey) { return; }
      var next = move(link, step[0], step[1]);
      event.preventDefault();
      if (next) { next.focus(); next.scrollIntoView({ block: "nearest", inline: "nearest" }); }
    });
  }

  /* Every cell of the table and of the map leads to its chain: the address is that of its row and its column. */
  function linked(table) {
    var heads = all("thead th", table);
    all("tbody tr", table).forEach(function (row) {
      var page = one("th a", row).getAttribute("href");
      all("td", row).forEach(function (cell) {
        var link = doc.createElement("a");
        link.href = page + "#" + heads[cell.cellIndex].getAttribute("data-tag");
        if (cell.title) {
          link.setAttribute("aria-label", cell.title);
          link.className = cell.className;
          cell.removeAttribute("title");
          cell.className = "";
        }
        while (cell.firstChild) { link.appendChild(cell.firstChild); }
        cell.appendChild(link);
      });
    });
  }

  function start() {
    all("table.values, table.map").forEach(linked);
    all("table[data-sortable]").forEach(sortable);
    all("table.map").forEach(map);
    all("form[data-filter]").forEach(filter);
    all("form[data-search]").forEach(search);
    if (one("#cells-data")) { tools(); }
    reveal();
    window.addEventListener("hashchange", reveal);
    doc.addEventListener("keydown", function (event) {
      var field = one('.filter input[type="search"]');
      var typing = /^(INPUT|SELECT|TEXTAREA)$/.test((doc.activeElement || {}).tagName || "");
      if (event.key === "/" && field && !typing && !event.ctrlKey && !event.metaKey && !event.altKey) {
        event.preventDefault();
        field.focus();
      }
    });
  }
  start();
})();
