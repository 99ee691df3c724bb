-- Fat and fatty acids: L01 to L09. Totals of SR28 hold trans acids already: never add them again.
create or replace table rules.chk_fat as
select *, "FASAT" + "FAMS" + "FAPU" as classes from chk_wide where origin = 'food' and raw_animal;

insert into chk_figure by name
select 'L01' as rule_id, origin, source, food_id, 'FAT' as component,
  (classes - getvariable('chk.L01.slack_g')) / nullif("FAT", 0) as x,
  format('saturated + mono + poly {:.3f} g in {:.2f} g fat = {:.3f}', classes, "FAT", classes / "FAT") as detail
from chk_fat;

insert into chk_figure by name
select 'L02' as rule_id, f.origin, f.source, f.food_id, 'FAT' as component,
  classes / "FAT" - p.value as x, format('saturated + mono + poly over fat {:.3f}, usual factor {}', classes / "FAT",
    p.value)
    as detail
from chk_fat f
  join chk_parameter p on p.rule_id = 'L02' and p.name = case
    when species_group in ('mollusc', 'crustacean') or part in ('egg_whole', 'egg_yolk', 'egg_white', 'milk') then
      if(part like 'egg%', 'xfa_egg', null)
    when species_group = 'finfish' then if("FAT" >= getvariable('chk.L02.fatty_fish_from'), 'xfa_fatty_fish',
      'xfa_white_fish')
    when part in ('brain', 'heart', 'kidney', 'liver') then 'xfa_' || part
    when part not in ('muscle', 'fat', 'skin') then null
    when species_group = 'bird' then 'xfa_poultry'
    when part = 'fat' then 'xfa_fat' else 'xfa_lean' end
where "FAT" >= getvariable('chk.L02.fat_from');
insert into chk_figure by name
select 'L02' as rule_id, 'ratio' as class, origin, source, food_id, 'FAT' as component, classes / "FAT" as x,
  format('saturated + mono + poly over fat {:.3f}', classes / "FAT") as detail
from chk_fat where "FAT" >= getvariable('chk.L02.fat_from') and part not in ('brain', 'milk', 'egg_white');

-- Single acids by their published numbers (SR28), summed as decimals.
insert into chk_figure by name
with numbered as (
  select v.source, v.food_id, w.name as class, sum(try_cast(v.text as decimal(18, 6))) as acids, count(*) as held
  from archival."values" v
    join chk_food f on f.source = v.source and f.food_id = v.food_id and f.raw_animal
    join chk_word w on w.rule_id = 'L03' and w.word = v.source_component
  where v.source in (select source from reference.source_traits where trait = 'numbered_acids')
  group by all
)
select 'L03' as rule_id, 'food' as origin, n.source, n.food_id, n.class as component,
  100 * (n.acids::double - t.x - getvariable('chk.L03.slack_g')) / nullif(t.x, 0) as x,
  format('{} single acids sum to {} g, class {} is {} g', n.held, n.acids, n.class, t.x) as detail
from numbered n join chk_value t on t.source = n.source and t.food_id = n.food_id and t.component = n.class
where t.x > 0;

insert into chk_figure by name
with isomer as (
  select u.source, u.food_id, i.component, u.x as total, i.x as amount
  from chk_value u join chk_value i on i.source = u.source and i.food_id = u.food_id and i.steps = '[]'
    and i.component = case u.component when 'F18D2' then 'F18D2N6' when 'F18D3' then 'F18D3N3' when 'F20D4'
      then 'F20D4N6' end
  where u.component in ('F18D2', 'F18D3', 'F20D4')
)
select 'L04' as rule_id, 'food' as origin, source, food_id, component, amount - total as x,
  100 * (amount - total) / greatest(total, 1e-9) as x2, format('isomer {} g, undifferentiated {} g', amount,
    total) as detail
from isomer;

insert into chk_figure by name
-- A cell that publishes such a zero as no evidence, with its gap, has heeded the rule.
select 'L05' as rule_id, 'food' as origin, source, food_id, source_component, component,
  case when x = 0 and evidence and n = 0 and not exists (from chk_cell c where c.source = v.source
      and c.food_id = v.food_id and c.component = v.component and not c.evidence) then 2
    when x = 0 and coalesce(n, 0) = 0 then 1 else 0 end as x,
  format('printed {} with n {}, taken as {}', text, coalesce(n, 0), status) as detail
from chk_value v
where component in ('F20D5N3', 'F22D6N3', 'F20D4N6') and raw_animal and part not in ('fat', 'milk') and x is not null;

insert into chk_figure by name
select 'L06' as rule_id, origin, source, food_id, ingredient_id, 'F20D4N6' as component, ("F20D4N6" = 0)::int as x,
  format('arachidonic acid 0 in {:.2f} g fat', "FAT") as detail
from chk_wide
where raw_animal and "F20D4N6" is not null and "FAT" > getvariable('chk.L06.fat_above')
  and part not in ('fat', 'milk', 'egg_white');

insert into chk_figure by name
select 'L07' as rule_id, origin, source, food_id, 'CHOLE' as component, (coalesce("CHOLE", 0) = 0)::int as x,
  if("CHOLE" is null, 'cholesterol is missing', 'cholesterol is 0') as detail
from chk_wide where origin = 'food' and raw_animal and part <> 'egg_white'
  and exists (from chk_value where component = 'CHOLE' and source = chk_wide.source);

insert into chk_figure by name
with acid as (
  unpivot (select origin, source, food_id, ingredient_id, "FAT", "F18D2N6", "F18D3N3", "F20D4N6", "F20D5N3", "F22D6N3"
    from chk_wide where "FAT" > 0)
  on "F18D2N6", "F18D3N3", "F20D4N6", "F20D5N3", "F22D6N3" into name component value amount
)
select 'L08' as rule_id, origin, source, food_id, ingredient_id, component, amount / "FAT" as x,
  format('{} {} g in {} g fat', component, amount, "FAT") as detail
from acid;

insert into chk_figure by name
select 'L09' as rule_id, origin, source, food_id, 'FAT' as component,
  "FATNLEA" - "FAT" - getvariable('chk.L09.slack_g') as x,
  100 * ("FATNLEA" - "FAT") / greatest("FAT", 1e-9) as x2,
  format('triacylglycerol equivalents {} g, fat {} g', "FATNLEA", "FAT") as detail
from chk_wide where origin = 'food';
