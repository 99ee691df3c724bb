-- Two editions of one table (SR Legacy and SR28) are one witness: sources.toml says which source `repeats` which, the
-- NDB number says which food is the same.
create temp table repeated_foods as
select own.source, own.release, own.food_id, theirs.source as first_source, theirs.release as first_release,
  theirs.food_id as first_food
from archival.releases r
  join archival.food_keys own on own.source = r.source and own.release = r.release
  join archival.food_keys theirs on theirs.source = r.repeats and theirs.key = own.key
qualify row_number() over (partition by own.source, own.release, own.food_id order by theirs.release,
  theirs.food_id) = 1;

-- reference.foods.duplicate_of, between sources: no further comparable food. It is named SOURCE:FOOD.
update reference.foods f set duplicate_of = k.first_source || ':' || k.first_food
from repeated_foods k where k.source = f.source and k.release = f.release and k.food_id = f.food_id;

-- The same figure is not better known in the edition that says less about it: where the other does not count it as
-- evidence (imputed, borrowed from a cooked food), neither does this one; what is calculated there
-- is not measured here.
update reference."values" v
set evidence = t.evidence, donor_state = t.donor_state,
  status = if(t.status in (select status from reference.statuses where evidence)
    and not (v.status = 'measured' and t.status = 'calculated'), v.status, t.status)
from repeated_foods k, reference."values" t
where k.source = v.source and k.release = v.release and k.food_id = v.food_id
  and t.source = k.first_source and t.release = k.first_release and t.food_id = k.first_food
  and t.component = v.component and t.preference = v.preference
  and try_cast(t.text as decimal(20, 9)) = try_cast(v.text as decimal(20, 9))
  and v.evidence and (not t.evidence or v.status = 'measured' and t.status = 'calculated');

drop table repeated_foods;
