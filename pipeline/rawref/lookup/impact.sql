-- Every gap with the share of the requirement that it could hide, per 1000 kcal of a mix that holds the ingredient at
-- the share of schemas/inclusion.csv, and the chance that it decides a verdict in the reference recipes. No sums: each
-- figure is one product or one count, so the result does not depend on row order.
WITH requirement AS (
    SELECT
        unnest($component) AS component,
        unnest($named) AS requirement_of,
        unnest($judged) AS judged,
        unnest($minimum) AS minimum,
        unnest($maximum) AS maximum,
        unnest($standing) AS standing
),
species AS (
    SELECT species, species_group
    FROM read_csv($species, header = true, all_varchar = true, delim = ',', quote = '"', escape = '"')
),
common AS (
    SELECT species, commonness
    FROM read_csv($commonness, header = true, all_varchar = true, delim = ',', quote = '"', escape = '"')
),
part AS (
    SELECT
        i.ingredient_id, i.part, coalesce(c.commonness, 'rare') AS commonness, i.kind AS ingredient_kind,
          coalesce(s.species_group, '') AS species_group,
        -- water animals and land animals are not compared with each other: vitamin D, iodine and EPA differ a
        -- hundredfold
        CASE WHEN s.species_group IN ('finfish', 'mollusc', 'crustacean', 'marine_mammal') THEN s.species_group
            ELSE 'land' END AS realm
    FROM read_csv($ingredients, header = true, all_varchar = true, delim = ',', quote = '"', escape = '"') AS i
    LEFT JOIN species AS s USING (species)
    LEFT JOIN common AS c USING (species)
),
gap AS (
    SELECT
        ingredient_id, component, kind, needed_by, detail, unit, remedy,
        TRY_CAST(peers_n AS DOUBLE)::INTEGER AS peers_n,
        TRY_CAST(peers_low AS DOUBLE) AS peers_low,
        TRY_CAST(peers_median AS DOUBLE) AS peers_median,
        TRY_CAST(peers_high AS DOUBLE) AS peers_high,
        TRY_CAST(ceiling AS DOUBLE) AS ceiling
    -- a table accepted before ceilings were published has no such column
    FROM (
        SELECT * FROM read_csv($gaps, header = true, all_varchar = true, delim = ',', quote = '"', escape = '"')
        UNION ALL BY NAME SELECT NULL::VARCHAR AS ceiling WHERE false
    )
),
inclusion AS (
    SELECT part, coalesce(species_group, '') AS species_group, TRY_CAST(share_pct AS DOUBLE) AS share_pct
    FROM read_csv($inclusion, header = true, all_varchar = true, delim = ',', quote = '"', escape = '"')
),
-- what the raw ingredients of the table hold, where there is evidence: the fallback for gaps without peers
evidence AS (
    SELECT v.component, p.part, p.realm, TRY_CAST(v.value AS DOUBLE) AS value
    FROM read_csv($values, header = true, all_varchar = true, delim = ',', quote = '"', escape = '"') AS v
    JOIN part AS p USING (ingredient_id)
    WHERE p.ingredient_kind <> 'addition'
        AND list_contains($evidence, v.status)
        AND NOT EXISTS (SELECT 1 FROM gap WHERE gap.ingredient_id = v.ingredient_id AND gap.component = v.component)
),
-- the ninth of ten, a figure that occurs, so that one odd food does not rank every gap of its component
same_part AS (
    SELECT component, part, realm, quantile_disc(value, 0.9) AS high FROM evidence GROUP BY component, part, realm
),
any_part AS (SELECT component, quantile_disc(value, 0.9) AS high FROM evidence GROUP BY component),
bounded AS (
    SELECT
        gap.*, p.part, p.commonness, r.requirement_of,
        coalesce(r.judged, false) AS judged, r.minimum, r.maximum, r.standing,
        coalesce(own.share_pct, i.share_pct, $fallback_share) AS share_pct,
        CASE
            WHEN gap.ceiling IS NOT NULL THEN 'published ceiling'
            WHEN gap.peers_high IS NOT NULL THEN 'comparable foods'
            WHEN s.high IS NOT NULL THEN 'same part, land or water animal'
            WHEN a.high IS NOT NULL THEN 'any raw ingredient in the table'
            ELSE 'nothing to compare with'
        END AS impact_basis,
        coalesce(gap.ceiling, gap.peers_high, s.high, a.high) AS could_hold
    FROM gap
    LEFT JOIN part AS p USING (ingredient_id)
    LEFT JOIN requirement AS r USING (component)
    LEFT JOIN inclusion AS i ON i.part = p.part AND i.species_group = ''
    LEFT JOIN inclusion AS own ON own.part = p.part AND own.species_group = p.species_group AND own.species_group <> ''
    LEFT JOIN same_part AS s ON s.component = gap.component AND s.part = p.part AND s.realm = p.realm
    LEFT JOIN any_part AS a ON a.component = gap.component
),
ranked AS (
    SELECT
        *,
        could_hold / 100 * share_pct / 100 * $grams_per_1000kcal / nullif(minimum, 0) AS impact,
        could_hold / 100 * share_pct / 100 * $grams_per_1000kcal / nullif(maximum, 0) AS impact_maximum
    FROM bounded
),
-- per gram of a recipe, what a line lacks of a minimum or leaves of a maximum as far as it is known: equally likely
-- points, of each bound by itself
room AS (
    SELECT unnest($room_of) AS line, unnest($room_bound) AS bound, unnest($room) AS room
),
points AS (SELECT line, bound, list(room ORDER BY room) AS rooms FROM room GROUP BY ALL),
-- the lines in which a component counts: its own and the sums that name it
line AS (SELECT unnest($part) AS component, unnest($line) AS line),
-- the share of the points that lie between nothing and what the unknown could hold: there it decides
decides AS (
    SELECT
        r.ingredient_id, r.component,
        max(len(list_filter(p.rooms, lambda x: x > 0 AND x <= coalesce(r.could_hold / 100 * r.share_pct / 100, x)))
            / len(p.rooms)) AS chance
    FROM ranked AS r JOIN line USING (component) JOIN points AS p USING (line)
    GROUP BY ALL
)
SELECT
    r.ingredient_id, r.component, kind, needed_by, detail, unit, remedy, peers_n, peers_low, peers_median, peers_high,
    impact, impact_maximum, impact_basis, could_hold, share_pct, requirement_of, minimum, maximum, standing, commonness,
    d.chance, judged
FROM ranked AS r LEFT JOIN decides AS d USING (ingredient_id, component)
ORDER BY
    -- what a minimum is judged of; then what other food has a minimum of; then the animals that most mixes hold; then
    -- what most often decides, and could hide most
    minimum IS NULL, NOT judged,
    CASE commonness WHEN 'common' THEN 1 WHEN 'occasional' THEN 2 ELSE 3 END,
    d.chance DESC NULLS LAST,
    could_hold IS NOT NULL, CASE WHEN could_hold IS NULL THEN share_pct END DESC NULLS LAST,
    impact DESC NULLS LAST, impact_maximum DESC NULLS LAST, r.ingredient_id, r.component
