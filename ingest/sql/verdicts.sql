-- name: mark_dirty
insert into dirty_day (unit_id, day, account_id)
select unit_id, day, account_id from unit cross join unnest(%(days)s::date[]) day
where account_id = %(account_id)s and unit_id = any(%(unit_ids)s::bigint[])
order by unit_id, day
on conflict (unit_id, day) do update set marked_at = now(), taken_at = null where dirty_day.taken_at is not null

-- name: take_dirty
update dirty_day set taken_at = now()
from (
  select unit_id, day from dirty_day
  where taken_at is null or taken_at < now() - interval '10 minutes'
  order by marked_at limit %s for update skip locked
) waiting
where dirty_day.unit_id = waiting.unit_id and dirty_day.day = waiting.day
returning dirty_day.account_id, dirty_day.unit_id, dirty_day.day

-- name: done_dirty
with done as (
  select dirty_day.unit_id, dirty_day.day
  from dirty_day join unnest(%(unit_ids)s::bigint[], %(days)s::date[]) taken (unit_id, day) using (unit_id, day)
  where taken_at is not null order by 1, 2 for update of dirty_day
)
delete from dirty_day using done where dirty_day.unit_id = done.unit_id and dirty_day.day = done.day

-- name: stage
create temp table if not exists verdict_stage
  (unit text, as_of timestamptz, standing text, rank double precision, body jsonb) on commit delete rows

-- name: clear_stage
delete from verdict_stage

-- name: copy
copy verdict_stage (unit, as_of, standing, rank, body) from stdin (format binary)

-- name: strangers
select distinct stage.unit from verdict_stage stage
left join unit on unit.account_id = %(account_id)s and unit.unit = stage.unit
where unit.unit_id is null limit 1

-- name: put_verdicts
insert into verdict (unit_id, account_id, as_of, standing, rank, body)
select distinct on (unit_id, as_of) unit_id, account_id, as_of, standing, rank, body
from verdict_stage join unit using (unit)
where account_id = %(account_id)s order by unit_id, as_of
on conflict (unit_id, as_of) do update set standing = excluded.standing, rank = excluded.rank, body = excluded.body,
  made_at = now()

-- name: put_standings
insert into standing (unit_id, account_id, as_of, standing, rank, body)
select distinct on (unit_id) unit_id, account_id, as_of, standing, rank, body
from verdict_stage join unit using (unit)
where account_id = %(account_id)s order by unit_id, as_of desc
on conflict (unit_id) do update set as_of = excluded.as_of, standing = excluded.standing, rank = excluded.rank,
  body = excluded.body
where excluded.as_of >= standing.as_of

-- name: tell_calls
select pg_notify('halfsecond_calls', %(account_id)s::text)

-- name: wake
select pg_notify('halfsecond_dirty', '')

-- name: tell_failed
select pg_notify('halfsecond_failed', payload) from unnest(%(payloads)s::text[]) payload
