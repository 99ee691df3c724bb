-- Protein and amino acids: A01 to A10.
insert into chk_figure by name
select 'A01' as rule_id, origin, source, food_id, 'PROCNT' as component, abs("NT" * nitrogen_factor - "PROCNT") as x,
  format('{} g nitrogen x {} against {} g protein', "NT", nitrogen_factor, "PROCNT") as detail
from chk_wide where origin = 'food';

insert into chk_figure by name
select 'A02' as rule_id, origin, source, food_id, 'PROCNT' as component,
  nitrogen_factor as x, format('nitrogen factor {}', nitrogen_factor) as detail
from chk_wide where origin = 'food' and raw_animal and part not in ('milk', 'skin', 'foot', 'ear', 'tail')
  and nitrogen_factor > 0;

create or replace table rules.chk_acids as
select *, "ALA" + "ARG" + "ASP" + "CYS" + "GLU" + "GLY" + "HIS" + "ILE" + "LEU" + "LYS" + "MET" + "PHE" + "PRO" + "SER"
  + "THR" + "TRP" + "TYR" + "VAL" as acids
from chk_wide where raw_animal;
insert into chk_figure by name
select 'A03' as rule_id, origin, source, food_id, ingredient_id, acids / nullif("PROCNT", 0) as x,
  format('18 amino acids {:.2f} g in {:.2f} g protein = {:.3f}', acids, "PROCNT", x) as detail
from chk_acids where origin = 'food';

insert into chk_figure by name
with counted as (
  select if(origin = 'food', split_part(key, ':', 1), null) as source,
    if(origin = 'food', split_part(key, ':', 2), null)
    as food_id, if(origin = 'ingredient', key, null) as ingredient_id, origin,
    count(x) as held, count(distinct component) filter (x is not null) as acids
  from chk_amount
  where component in (select word from chk_word where rule_id = 'A04' and name = 'components')
  group by all having count(x) > 0
)
select 'A04' as rule_id, c.* exclude (held, acids),
  ((select count(*) from chk_word where rule_id = 'A04' and name = 'components') - acids) as x,
  format('{} of the {} amino acids are there', acids,
    (select count(*) from chk_word where rule_id = 'A04' and name = 'components')) as detail
from counted c;

insert into chk_figure by name
with acid as (
  unpivot (select origin, source, food_id, ingredient_id, part, "PROCNT", "LYS", "MET", "TRP", "CYS", "ARG"
    from chk_wide
    where raw_animal and "PROCNT" > 0 and species_group not in ('mollusc', 'crustacean')
      and part in ('muscle', 'heart', 'liver', 'kidney', 'spleen', 'lung', 'tongue', 'gizzard',
      'giblets', 'brain', 'thymus', 'pancreas', 'stomach'))
  on "LYS", "MET", "TRP", "CYS", "ARG" into name component value amount
)
select 'A05' as rule_id, component as class, origin, source, food_id, ingredient_id, component,
  1000 * amount / "PROCNT" as x, format('{} {:.1f} mg per g protein', component, x) as detail
from acid;

insert into chk_figure by name
select 'A06' as rule_id, origin, source, food_id, ingredient_id, 'CYS' as component, "CYS" / nullif("MET", 0) as x,
  format('cystine {} / methionine {} = {:.2f}', "CYS", "MET", x) as detail
from chk_wide where raw_animal and part not in ('egg_whole', 'egg_yolk', 'egg_white', 'milk', 'skin', 'foot', 'ear',
  'tail', 'bone');

insert into chk_figure by name
select 'A07' as rule_id, a.origin, w.source, w.food_id, w.ingredient_id, a.component, (a.x = 0)::int as x,
  format('{} is 0 beside {:.2f} g protein', a.component, w."PROCNT") as detail
from chk_amount a
  join chk_wide w on w.origin = a.origin and w.key = a.key and w.raw_animal
    and w."PROCNT" > getvariable('chk.A07.protein_above')
where a.component in (select word from chk_word where rule_id = 'A07' and name = 'components') and a.x is not null;

insert into chk_figure by name
select 'A08' as rule_id, 'lysine' as class, origin, source, food_id, ingredient_id, 'LYS' as component,
  "LYS" / nullif("PROCNT", 0) as x, format('lysine {} g in {} g protein', "LYS", "PROCNT") as detail
from chk_wide where raw_animal and "PROCNT" > 0;
insert into chk_figure by name
select 'A08' as rule_id, 'sum' as class, origin, source, food_id, ingredient_id, 'LYS' as component,
  acids / nullif("PROCNT", 0) as x, format('amino acids {:.2f} g in {} g protein', acids, "PROCNT") as detail
from chk_acids where origin = 'food' and "PROCNT" > 0;

insert into chk_figure by name
select 'A09' as rule_id,
  case when species_group = 'mollusc' then 'mollusc' when part in ('heart', 'liver') then part
    when species_group = 'bird' and part = 'muscle' then 'poultry' else '' end as class,
  'ingredient' as origin, ingredient_id, component, x, format('taurine {} mg', x) as detail
from chk_cell where component = 'TAU' and kind = 'raw';
insert into chk_figure by name
select 'A09' as rule_id, 'unit' as class, 'ingredient' as origin, ingredient_id, component, (unit <> 'mg')::int as x,
  format('taurine in {}', unit) as detail
from chk_cell where component = 'TAU' and x is not null;

insert into chk_figure by name
select 'A10' as rule_id, if(part = 'muscle' and coalesce(skin, '') <> 'yes' and species_group <> 'bird', 'muscle',
  'other') as class, origin, source, food_id,
  'PROCNT' as component, "HYP" / nullif("PROCNT", 0) as x,
  format('hydroxyproline {} g in {} g protein', "HYP", "PROCNT") as detail
from chk_wide where origin = 'food' and raw_animal;
