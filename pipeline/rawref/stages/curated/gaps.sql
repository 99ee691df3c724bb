-- curated.gaps: one row per ingredient and needed component that applies and has no evidence; key (ingredient_id,
-- component).
create table curated.gaps as
with carried as (
  -- a source that lists a component and has no figure for any food does not carry it
  select distinct component from reference."values" where source <> 'maintainer' and status <> 'missing'
), figures as (
  select f.species, f.part, v.component, f.state from reference."values" v
    join reference.foods f using (source, release, food_id)
  where (f.state = 'raw' or f.state = 'cooked' and not f.composite) and v.evidence and v.status <> 'missing'
  union all
  select k.species, k.part, c.component, 'raw' from curated.cell_candidates c
    join curated.ingredient_keys k using (ingredient_id)
  where c.source = 'maintainer' and c.evidence
), cooked as (
  -- plants are one species and one part here: a cooked one says nothing about another
  select species, part, component, bool_and(state = 'cooked') as raw_lacks from figures
  where species <> 'plant' group by all having bool_or(state = 'cooked')
), struck as (
  select ingredient_id, component, bool_or(reject_id is null and (rank > 1 or refused is not null)
      and not struck_by_rule) as others,
    bool_or(reject_id is not null) as by_decision,
    min(refused) filter (struck_by_rule) as why
  from curated.cell_candidates group by all having by_decision or why is not null
), kinds as (
  select v.*, k.part, k.species_group, p.n as peers_n, p.low as peers_low, p.median as peers_median,
    p.high as peers_high, co.component is not null as cooked_has, z.contradicted_by,
    k.kind <> 'composite' and x.ingredient_id is null as unlisted, coalesce(s.others, true) as others,
    s.by_decision, s.why, coalesce(said.and_like_zero(y.struck), '') as like_zero,
    case
      -- where another candidate took the place of the one that was struck out, the gap is that of the other
      when v.status = 'missing' and s.component is not null then 'rejected'
      when v.status = 'missing' and ca.component is null then 'not_carried'
      when v.status = 'missing' and co.raw_lacks and v.alternatives = '[]' then 'only_cooked'
      when v.status = 'missing' then 'not_reported'
      when z.contradicted_by is not null and v.value = 0 or v.value = 0 and p.n >= 3 and p.low > 0 then 'doubtful_zero'
      when v.status = 'assumed_zero' or v.value = 0 and z.food_id is not null then 'only_assumed_zero'
      when v.status = 'trace' then 'trace_only'
      when v.status = 'below_detection' then 'only_below_detection'
      else 'only_imputed'
    end as kind
  from curated."values" v
    join curated.ingredient_keys k using (ingredient_id)
    left join reference.peers p on p.component = v.component and p.part = k.part and p.species_group = k.species_group
      and k.kind = 'raw'
    left join doubtful_zeros z on z.ingredient_id = v.ingredient_id and z.component = v.component
      and z.source = v.source and z.food_id = v.food_id
    left join like_zeros y on y.ingredient_id = v.ingredient_id and y.component = v.component
    left join struck s on s.ingredient_id = v.ingredient_id and s.component = v.component
    left join (select distinct ingredient_id from curated.cell_candidates) x on x.ingredient_id = v.ingredient_id
    left join carried ca on ca.component = v.component
    left join cooked co on co.species = k.species and co.part = k.part and co.component = v.component
      and k.kind = 'raw'
  where not v.evidence and v.status <> 'not_applicable'
)
select ingredient_id, k.component, coalesce(n.needed_by, '[]') as needed_by, kind,
  case kind
    when 'rejected' then if(by_decision,
      said.gap_struck_by_decision(coalesce(decision_id, '')), said.gap_struck_by_rule(why))
    when 'not_carried' then said.gap_not_carried()
    when 'only_cooked' then said.gap_only_cooked()
    when 'not_reported' then reason
    when 'doubtful_zero' then said.gap_doubtful_zero(source, food_id, source_value, status,
      coalesce(contradicted_by, said.like_foods_have_mostly(peers_n, peers_low, peers_high, unit))) || like_zero
    when 'only_assumed_zero' then said.gap_assumed_zero(source, food_id, source_value) || like_zero
    when 'trace_only' then said.gap_trace(source, food_id, source_value)
    when 'only_below_detection' then said.gap_below_limit(source, food_id, source_value,
      coalesce(said.limit_of(high::text, unit), said.limit_not_published()))
    when 'only_imputed' then case when status = 'borrowed' then reason
      else said.gap_imputed(source, food_id, coalesce(derivation, said.not_stated()),
        coalesce(said.donor(donor_food_id, donor_state), '')) end
  end as detail,
  coalesce(peers_n, 0) as peers_n, peers_low, peers_median, peers_high, unit,
  case
    when unlisted then said.remedy_assay()
    when kind = 'not_carried' then said.remedy_cite_or_carry()
    when kind = 'only_cooked' or kind = 'not_reported' and cooked_has and alternatives = '[]' then
      said.remedy_suggest(ingredient_id, k.component)
    when alternatives <> '[]' and others then
      said.remedy_decide()
    when kind in ('not_reported', 'rejected') then said.remedy_cite_or_food()
    else said.remedy_analyse()
  end as remedy,
  -- rounded up to four digits, so that it stays a bound
  case when b.most = 0 then 0 when b.most > 0 then
    round(ceil(b.most / pow(10, floor(log10(b.most)) - 3) - 1e-6) * pow(10, floor(log10(b.most)) - 3), 9) end
      as ceiling,
  b.basis as ceiling_basis
from kinds k join curated.ceilings b using (ingredient_id, component) left join curated.needed_by n
  on n.component = k.component;
