-- Slow changes of a unit.

-- name: weeks the last verdict of each week since work last changed how the unit starts
with changed as (
  select max(at) as at from visit
  where account_id = %(account_id)s and unit_id = %(unit_id)s and at <= %(until)s and work && %(restarts)s::text[]
),
told as (
  select v.as_of, (v.body #>> '{run_up,now_s}')::float8 as now_s, (v.body #>> '{run_up,expected_s}')::float8 as expected_s,
         floor(extract(epoch from %(until)s::timestamptz - v.as_of) / (7 * 86400)) as week
  from verdict v
  where v.account_id = %(account_id)s and v.unit_id = %(unit_id)s and v.as_of > %(since)s and v.as_of <= %(until)s
    and v.as_of > coalesce((select at from changed), %(since)s)
)
select distinct on (week) as_of, now_s, expected_s
from told
where now_s > 0 and expected_s > 0
order by week desc, as_of desc;

-- name: days the daily verdicts of a unit since its last visit, oldest first
select ((v.as_of - interval '1 microsecond') at time zone 'UTC')::date as day,
       (v.body #>> '{run_up,now_s}')::float8 as now_s, (v.body #>> '{run_up,expected_s}')::float8 as expected_s,
       coalesce((v.body #>> '{run_up,alarm}')::boolean, false) as alarm
from verdict v
where v.account_id = %(account_id)s and v.unit_id = %(unit_id)s and v.as_of > %(since)s and v.as_of <= %(until)s
  and v.as_of > coalesce(
    (select max(at) from visit where account_id = %(account_id)s and unit_id = %(unit_id)s and at <= %(until)s),
    %(since)s)
order by v.as_of;
