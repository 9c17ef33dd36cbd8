-- How long repairs hold, and how often units lock out.

-- name: held one row for each visit and kind of work: how long it held or was watched, and whether it ended
with done as (
  select v.unit_id, v.at, w.work
  from visit v cross join lateral unnest(v.work) as w (work)
  where v.account_id = %(account_id)s and v.at > %(since)s and v.at < %(until)s
    and w.work = any(%(kinds)s::text[])
  order by v.at desc
  limit %(limit)s
)
select done.work, coalesce(ends.at <= coalesce(other.at, ends.at), false) as ended,
       extract(epoch from case when ends.at <= coalesce(other.at, ends.at) then ends.at
                               else least(other.at, h.last_at, %(until)s::timestamptz) end - done.at)::float8
         / 86400 as days
from done
join heard h on h.unit_id = done.unit_id and h.account_id = %(account_id)s
left join lateral (
  select min(e.at) as at from event e
  where e.account_id = %(account_id)s and e.unit_id = done.unit_id and e.event = 'lockout' and e.at > done.at
    and e.at <= %(until)s
) failed on true
left join lateral (
  select min(v.at) as at from visit v
  where v.account_id = %(account_id)s and v.unit_id = done.unit_id and v.at > done.at and v.at <= %(until)s
    and done.work = any(v.work)
) again on true
left join lateral (
  select min(v.at) as at from visit v
  where v.account_id = %(account_id)s and v.unit_id = done.unit_id and v.at > done.at and v.at <= %(until)s
    and v.work && %(restarts)s::text[] and not done.work = any(v.work)
) other on true
cross join lateral (select least(failed.at, again.at) as at) ends
where h.last_at > done.at;

-- name: lockouts units by model, metering device and start gear: first lockouts, and unit-years until then
with seen as (
  select u.model, u.metering, u.start_gear, locked.at is not null as locked_out,
         extract(epoch from coalesce(locked.at, least(h.last_at, %(until)s::timestamptz)) - first.at)::float8
           / (86400 * 365.25) as years
  from unit u
  join heard h on h.unit_id = u.unit_id and h.account_id = u.account_id
  cross join lateral (
    select greatest(v.as_of, %(since)s::timestamptz) as at from verdict v
    where v.unit_id = u.unit_id and v.account_id = u.account_id
    order by v.as_of limit 1
  ) first
  left join lateral (
    select min(e.at) as at from event e
    where e.account_id = u.account_id and e.unit_id = u.unit_id and e.event = 'lockout' and e.at > first.at
      and e.at <= %(until)s
  ) locked on true
  where u.account_id = %(account_id)s and least(h.last_at, %(until)s::timestamptz) > first.at
)
select case grouping(model, metering, start_gear)
         when 3 then 'model' when 5 then 'metering' when 6 then 'start_gear' else 'all' end as by,
       case grouping(model, metering, start_gear)
         when 3 then model when 5 then metering when 6 then start_gear end as value,
       count(*) as units, count(*) filter (where locked_out) as locked_out, sum(years)::float8 as years
from seen
group by grouping sets ((model), (metering), (start_gear), ())
order by 1, units desc, 2;
