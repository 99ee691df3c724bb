-- Every gap with the share of the requirement that it could hide, per 1000 kcal of a mix that holds the ingredient at
-- the share of schemas/inclusion.csv. No sums: each figure is one product, so the result does not depend on row order.
WITH requirement AS (
    SELECT
        unnest($component) AS component,
        unnest($named) AS requirement_of,
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
        i.ingredient_id, i.part, coalesce(c.commonness, 'rare') AS commonness, i.kind AS ingredient_kind, coalesce(s.species_group, '') AS species_group,
        -- water animals and land animals are not compared with each other: vitamin D, iodine and EPA differ a hundredfold
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
        TRY_CAST(peers_high AS DOUBLE) AS peers_high
    FROM read_csv($gaps, header = true, all_varchar = true, delim = ',', quote = '"', escape = '"')
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
        gap.*, p.part, p.commonness, r.requirement_of, r.minimum, r.maximum, r.standing,
        coalesce(own.share_pct, i.share_pct, $fallback_share) AS share_pct,
        CASE
            WHEN gap.peers_high IS NOT NULL THEN 'comparable foods'
            WHEN s.high IS NOT NULL THEN 'same part, land or water animal'
            WHEN a.high IS NOT NULL THEN 'any raw ingredient in the table'
            ELSE 'nothing to compare with'
        END AS impact_basis,
        coalesce(gap.peers_high, s.high, a.high) AS could_hold
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
-- in how many ingredients of common animals the component could be missing altogether
widespread AS (
    SELECT component, count(*) AS n FROM ranked WHERE commonness = 'common' AND impact >= 1 GROUP BY component
)
SELECT
    ingredient_id, component, kind, needed_by, detail, unit, remedy, peers_n, peers_low, peers_median, peers_high,
    impact, impact_maximum, impact_basis, could_hold, share_pct, requirement_of, minimum, maximum, standing, commonness
FROM ranked LEFT JOIN widespread AS w USING (component)
WHERE ($ingredient IS NULL OR ingredient_id = $ingredient) AND ($wanted IS NULL OR component = $wanted)
ORDER BY
    -- what is required; then the animals that most mixes hold; then what could hide most. A required component that
    -- nothing bounds could hide all of it; what could hide it many times over is no worse than what could hide it once,
    -- so among those the component comes first that so many common ingredients lack.
    minimum IS NULL,
    CASE commonness WHEN 'common' THEN 1 WHEN 'occasional' THEN 2 ELSE 3 END,
    could_hold IS NOT NULL, CASE WHEN could_hold IS NULL THEN share_pct END DESC NULLS LAST,
    least(impact, 1) DESC NULLS LAST, CASE WHEN impact >= 1 THEN w.n END DESC NULLS LAST,
    CASE WHEN impact >= 1 THEN component END,
    impact DESC NULLS LAST, impact_maximum DESC NULLS LAST, ingredient_id, component
