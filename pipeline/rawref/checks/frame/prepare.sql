-- What the rules over the table read, computed once: the published cells, and what they are held against.
-- chk_cell: the published cells with what their ingredient is; key (ingredient_id, component).
create or replace table rules.chk_cell as
select v.ingredient_id, v.component, v.value, v.unit, v.basis, v.status, v.low, v.high, v.spread_basis, v.n,
  v.confidence, v.source, v.release, v.food_id, v.match_quality, v.source_component, v.source_value, v.source_unit,
  v.derivation, v.donor_food_id, v.donor_state, v.file, v.line, v.steps, v.reference_ids, v.disagreement,
  i.kind, i.part, i.species, i.skin, i.bone, i.fat_trim, coalesce(s.species_group, 'none') as species_group,
  v.status in (select status from reference.statuses where evidence)
    and coalesce(v.donor_state, 'raw') in ('raw', 'unknown')
    -- a zero without samples is none where the gap beside it says that nobody measured it
    and not (g.kind is not null and v.value = 0 and coalesce(v.n, 0) = 0
      and v.status in (select status from reference.statuses where evidence))
    as evidence,
  coalesce(v.value, if(v.status = 'below_detection' and v.high is null, 0, null)) as x
from curated."values" v
  join curated.ingredients i using (ingredient_id)
  left join (from curated.gaps where kind in ('doubtful_zero', 'only_assumed_zero')) g using (ingredient_id, component)
  left join chk_species s on s.species = i.species;

-- chk_pair: the foods and the ingredients whose profile a rule can judge; key (source, food_id) or ingredient_id.
create or replace table rules.chk_profile as
select 'food' as origin, source, food_id, null::text as ingredient_id, raw_animal, part, species, species_group, skin,
  bone, fat_trim, name, nitrogen_factor, protein_factor, fat_factor, cho_factor
from chk_food
union all by name
select 'ingredient' as origin, e.source, e.food_id, i.ingredient_id, true as raw_animal, i.part, i.species,
  coalesce(s.species_group, 'none') as species_group, i.skin, i.bone, i.fat_trim, i.name,
  f.nitrogen_factor, f.protein_factor, f.fat_factor, f.cho_factor
from curated.ingredients i
  left join chk_species s on s.species = i.species
  left join curated."values" e on e.ingredient_id = i.ingredient_id and e.component = 'ENERC_KCAL'
  left join chk_food f on f.source = e.source and f.food_id = e.food_id
where i.kind = 'raw' and coalesce(s.species_group, 'none') not in ('plant', 'none');

create or replace table rules.chk_amount as
select 'food' as origin, source || ':' || food_id as key, component, x, status, source_code, derivation, evidence
from chk_value
union all by name
select 'ingredient' as origin, ingredient_id as key, component, x, status, null as source_code, derivation, evidence
from chk_cell where kind = 'raw';

-- chk_group and chk_part: the middle and spread of what raw animal foods hold, on the log scale. The comparison is that
-- of the sources on which the thresholds were calibrated (`basis` in checks.csv) and of foods that are used: a source
-- that is added moves no judgement of a cell that it does not touch.
create or replace table rules.chk_basis as
select v.component, v.part, v.species_group, log10(v.x) as lx
from chk_value v join reference.components c using (component)
where v.raw_animal and v.x > 0 and not v.composite and v.duplicate_of is null and v.status <> 'imputed'
  and not (v.part = 'muscle' and v.bone = 'yes')
  and (v.linked or v.source in (select word from chk_word where name = 'basis'));
-- Without the reference stage (the committed table alone) the published cells are their own comparison.
insert into chk_basis
select component, part, species_group, log10(x) from chk_cell
where kind = 'raw' and x > 0 and status in ('measured', 'calculated') and not exists (from chk_value);

create or replace table rules.chk_group as
select component, part, species_group, count(*) as n, median(lx) as middle, 1.4826 * mad(lx) as sigma
from chk_basis group by all;
create or replace table rules.chk_part as
select component, part, count(*) as n, median(lx) as middle from chk_basis group by all;
