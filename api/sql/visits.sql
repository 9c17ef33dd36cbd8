-- Work done.

-- name: page newest first
select visit_id, at, work, readings, parts, note, added_at
from visit
where account_id = %(account_id)s and unit_id = %(unit_id)s
  and (%(after_at)s::timestamptz is null or (at, visit_id) < (%(after_at)s, %(after_id)s))
order by at desc, visit_id desc
limit %(limit)s;

-- name: add one visit; the same one again changes nothing
insert into visit (account_id, unit_id, at, work, readings, parts, note)
select u.account_id, u.unit_id, %(at)s, %(work)s, %(readings)s, %(parts)s, %(note)s
from unit u
where u.account_id = %(account_id)s and u.unit_id = %(unit_id)s
on conflict (unit_id, at, work) do nothing
returning visit_id, at, work, readings, parts, note, added_at;

-- name: same the visit that was there already
select visit_id, at, work, readings, parts, note, added_at
from visit
where account_id = %(account_id)s and unit_id = %(unit_id)s and at = %(at)s and work = %(work)s;

-- name: dirty the watch looks at the unit's day again
insert into dirty_day (unit_id, day, account_id)
select u.unit_id, (%(at)s::timestamptz at time zone 'UTC')::date, u.account_id
from unit u
where u.account_id = %(account_id)s and u.unit_id = %(unit_id)s
on conflict (unit_id, day) do update set marked_at = now();
