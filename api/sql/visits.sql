-- Work done.

-- name: page newest first
select v.visit_id, v.at, v.work, v.readings, v.parts, v.note, pe.name as by, v.added_at
from visit v
left join person pe on pe.person_id = v.person_id and pe.account_id = v.account_id
where v.account_id = %(account_id)s and v.unit_id = %(unit_id)s
  and (%(after_at)s::timestamptz is null or (v.at, v.visit_id) < (%(after_at)s, %(after_id)s))
order by v.at desc, v.visit_id desc
limit %(limit)s;

-- name: changes what visits since an instant have changed, each by the last verdict that told of it
select distinct on (told.visit) told.visit as at, told.repair
from (
  select (v.body #>> '{repair,visit}')::timestamptz as visit, v.body -> 'repair' as repair, v.as_of
  from verdict v
  where v.account_id = %(account_id)s and v.unit_id = %(unit_id)s and v.as_of >= %(since)s
  union all
  select (s.body #>> '{repair,visit}')::timestamptz, s.body -> 'repair', s.as_of
  from standing s
  where s.account_id = %(account_id)s and s.unit_id = %(unit_id)s
) told
where told.visit is not null
order by told.visit, told.as_of desc;

-- name: fitted visits by kind of work, newest first
select w.work, v.at, v.parts, pe.name as by
from visit v
cross join lateral unnest(v.work) as w (work)
left join person pe on pe.person_id = v.person_id and pe.account_id = v.account_id
where v.account_id = %(account_id)s and v.unit_id = %(unit_id)s and w.work = any(%(work)s::text[])
order by v.at desc, v.visit_id desc;

-- name: add one visit; the same one again, by its key or by its time and work, changes nothing
insert into visit (account_id, unit_id, at, work, readings, parts, note, key, person_id)
select u.account_id, u.unit_id, %(at)s, %(work)s, %(readings)s, %(parts)s, %(note)s, %(key)s, %(person_id)s
from unit u
where u.account_id = %(account_id)s and u.unit_id = %(unit_id)s
on conflict do nothing
returning visit_id;

-- name: same the visit that was there already
select v.unit_id, v.at, v.work, v.readings, v.parts, v.note, pe.name as by, v.added_at
from visit v
left join person pe on pe.person_id = v.person_id and pe.account_id = v.account_id
where v.account_id = %(account_id)s
  and (v.key = %(key)s or (v.unit_id = %(unit_id)s and v.at = %(at)s and v.work = %(work)s))
order by (v.key = %(key)s) is true desc
limit 1;

-- name: dirty the watch looks at the unit's day again
insert into dirty_day (unit_id, day, account_id)
select u.unit_id, (%(at)s::timestamptz at time zone 'UTC')::date, u.account_id
from unit u
where u.account_id = %(account_id)s and u.unit_id = %(unit_id)s
on conflict (unit_id, day) do update set marked_at = now();

-- name: add_photo one picture; the same key again changes nothing
insert into photo (account_id, unit_id, key, media_type, picture)
select u.account_id, u.unit_id, %(key)s, %(media_type)s, %(picture)s
from unit u
where u.account_id = %(account_id)s and u.unit_id = %(unit_id)s
on conflict (account_id, key) do nothing;

-- name: same_photo the picture of a key
select unit_id, photo_id as photo, media_type, octet_length(picture) as bytes, added_at
from photo where account_id = %(account_id)s and key = %(key)s;

-- name: photos newest first
select photo_id as photo, media_type, octet_length(picture) as bytes, added_at
from photo where account_id = %(account_id)s and unit_id = %(unit_id)s
order by added_at desc, photo_id desc
limit %(limit)s;

-- name: photo one picture with its content
select media_type, picture
from photo where account_id = %(account_id)s and unit_id = %(unit_id)s and photo_id = %(photo)s;
