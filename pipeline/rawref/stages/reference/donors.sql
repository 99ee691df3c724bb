-- What a source took from another food says the state of that food, and from a cooked one it is no evidence.
update reference."values" v
set donor_state = d.state, evidence = v.evidence and coalesce(d.state, 'raw') in ('raw', 'unknown')
from reference.foods d
where d.source = v.source and d.release = v.release and d.food_id = v.donor_food_id;
