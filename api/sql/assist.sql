-- What the sizing of start assist asks of one unit.

-- name: starts newest first tries of a window
select at, outcome, run_up_s, line_v, line_min_v, peak_a, close_deg, off_s, outdoor_c, suction_kpa, liquid_kpa, mode
from start
where account_id = %(account_id)s and unit_id = %(unit_id)s and at >= %(since)s and at <= %(until)s
  and coalesce(retry, 0) = 0 and outcome in ('ran', 'locked')
order by at desc, seq desc
limit %(limit)s;

-- name: rests newest rests with both pressures
select at, t_s, suction_kpa, liquid_kpa
from rest
where account_id = %(account_id)s and unit_id = %(unit_id)s and at >= %(since)s and at <= %(until)s
  and suction_kpa is not null and liquid_kpa is not null
order by at desc, seq desc
limit %(limit)s;

-- name: work newest visit at which work was done that changes how a unit starts, and whether a start kit was ever fitted
select max(at) filter (where work && %(restarts)s::text[]) as changed_at,
       max(at) filter (where work && %(kits)s::text[]) as kit_at
from visit
where account_id = %(account_id)s and unit_id = %(unit_id)s and at <= %(until)s;
