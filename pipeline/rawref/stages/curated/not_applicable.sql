-- curated.not_applicable: needed components that an ingredient cannot hold, by the rules of schemas/not_applicable.csv;
-- key (ingredient_id, component). A figure that somebody measured or claims stands all the same (values.sql).
create table curated.not_applicable as
select k.ingredient_id, c.component, r.rule_id,
  said.not_applicable(r.reason, r.rule_id) as reason
from curated.ingredient_keys k
  join archival.maintainer_ingredients i using (ingredient_id)
  cross join (from reference.components where needed) c
  join not_applicable_rules r on (coalesce(r.kind, '') in ('', k.kind))
    and (coalesce(r.caution, '') = '' or list_contains(string_split(coalesce(i.cautions, ''), ';'), r.caution))
    and (coalesce(r.species_group, '') = '' or list_contains(string_split(r.species_group, ';'), k.species_group))
    and (coalesce(r.part, '') = '' or list_contains(string_split(r.part, ';'), k.part))
    and (r.components = '*' or list_contains(string_split(r.components, ';'), c.component))
    and not list_has_any(string_split(coalesce(r.but_not, ''), ';'),
      [c.component, k.ingredient_id || ':' || c.component])
qualify row_number() over (partition by k.ingredient_id, c.component order by r.position) = 1;
