-- Components and the mapping to them: C01 to C06.
insert into chk_figure by name
select 'C01' as rule_id, 'table' as origin, c.component,
  (coalesce(c.unit, '') = '' or (m.component is null
    and not exists (from curated."values" v where v.component = c.component and v.source = 'maintainer')
    and exists (from curated."values" v anti join curated.gaps g using (ingredient_id, component)
      where v.component = c.component and v.status = 'missing')))::int as x,
  'no unit, or neither a source number nor a declared gap' as detail
from reference.components c
  left join (select distinct component from reference.component_map) m using (component)
where c.needed and exists (from curated."values");

insert into chk_figure by name
select 'C02' as rule_id, 'source' as origin, m.source, m.source_component, m.component,
  count(distinct c.source_component) filter (c.source_component <> m.source_component and c.tagname = a.tagname
    and c.tagname <> '' and m.source_component = a.tagname) as x,
  format('mapped by tag {}, which names several components', m.source_component) as detail
from reference.component_map m
  join (select distinct source, source_component, tagname from archival.components) a using (source, source_component)
  left join archival.components c on c.source = m.source
group by m.source, m.source_component, m.component;

insert into chk_figure by name
select 'C03' as rule_id, 'source' as origin, c.source, c.source_component, m.component,
  (c.tagname <> m.component and f.name = o.name and not contains(m.steps, '"'))::int as x,
  format('{} {} has tag {} and feeds {}', c.source, c.source_component, c.tagname, m.component) as detail
from archival.components c join reference.component_map m using (source, source_component)
  join chk_word f on f.rule_id = 'C03' and f.word = c.tagname
  join chk_word o on o.rule_id = 'C03' and o.word = m.component;

insert into chk_figure by name
select 'C04' as rule_id, 'table' as origin, component,
  count(*) filter (evidence) / count(*) as x,
  format('evidence for {} of {} ingredients', count(*) filter (evidence), count(*)) as detail
from chk_cell where kind = 'raw' group by component;
insert into chk_figure by name
select 'C04' as rule_id, 'undeclared' as class, 'table' as origin, v.component,
  count(*) filter (not v.evidence and g.ingredient_id is null) as x,
  format('{} cells without evidence are not declared as gaps', count(*)
    filter (not v.evidence and g.ingredient_id is null))
    as detail
from (from chk_cell where status <> 'not_applicable') v
  left join curated.gaps g using (ingredient_id, component) group by v.component;

insert into chk_figure by name
select 'C05' as rule_id, 'table' as origin, v.component,
  count(*) filter (v.status = 'assumed_zero') / count(*) as x,
  format('{} of {} figures of raw animal foods are assumed zeros', count(*) filter (v.status = 'assumed_zero'),
    count(*))
    as detail
from chk_value v join reference.components c on c.component = v.component and c.needed
where v.raw_animal and v.status <> 'missing' and v.component not in (
  select word from chk_word where rule_id = 'C05' and name = 'zero_by_nature')
group by v.component;

insert into chk_figure by name
with medians as (
  select coalesce((select t.value from reference.source_traits t where t.trait = 'family' and t.source = v.source),
    v.source) as family, component, part, species_group, count(*) as n,
    median(x) as middle
  from chk_value v where raw_animal and evidence and x > 0 group by all
    having count(*) >= getvariable('chk.C06.group_from')
)
select 'C06' as rule_id, 'source' as origin, b.family as source, b.component,
  exp(abs(ln(a.middle / b.middle))) as x,
  format('{} in {} {}: median {:.4g} in {}, {:.4g} in {}', b.component, b.species_group, b.part, a.middle, a.family,
    b.middle, b.family) as detail
from medians a join medians b using (component, part, species_group)
where a.family = 'usda' and b.family <> 'usda';
