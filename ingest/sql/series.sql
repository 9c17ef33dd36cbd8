-- Writing and reading the series: starts, rests, events. Rows go by COPY into the table; where some are there already
-- they go into a staging table of the session, and from there, in the order in which they were copied, into the table.
-- All writers copy in one order, so that two never wait for each other crosswise.

-- Reads choose the units in both tables: a planner without statistics would walk through every unit otherwise.

-- name: copy
copy {table} ({columns}) from stdin (format binary)

-- name: touch mark the days that gained rows, and wake the watch
with dirty as (
  insert into dirty_day (unit_id, day, account_id)
  select * from unnest(%(units)b::bigint[], %(days)b::date[], %(accounts)b::bigint[]) touched order by 1, 2
  on conflict (unit_id, day) do update set marked_at = now(), taken_at = null where dirty_day.taken_at is not null
)
select pg_notify('halfsecond_dirty', '')

-- name: touch_start mark the days that gained starts, note each unit's newest start, and wake the watch
with dirty as (
  insert into dirty_day (unit_id, day, account_id)
  select * from unnest(%(units)b::bigint[], %(days)b::date[], %(accounts)b::bigint[]) touched order by 1, 2
  on conflict (unit_id, day) do update set marked_at = now(), taken_at = null where dirty_day.taken_at is not null
), newest as (
  insert into heard (unit_id, account_id, last_at, last_received_at)
  select * from unnest(%(heard_units)b::bigint[], %(heard_accounts)b::bigint[], %(last_at)b::timestamptz[],
    %(last_received_at)b::timestamptz[]) newest order by 1
  on conflict (unit_id) do update set last_at = greatest(heard.last_at, excluded.last_at),
    last_received_at = greatest(heard.last_received_at, excluded.last_received_at)
)
select pg_notify('halfsecond_dirty', '')

-- name: stage
create temp table if not exists {stage} (like {table}) on commit delete rows

-- name: clear_stage
delete from {stage}

-- name: merge
with fresh as (
  insert into {table} ({columns})
  select {columns} from {stage}
  on conflict do nothing
  returning account_id, unit_id, at, received_at
), dirty as (
  insert into dirty_day (unit_id, day, account_id)
  select distinct unit_id, (at at time zone 'UTC')::date, account_id from fresh order by 1, 2
  on conflict (unit_id, day) do update set marked_at = now(), taken_at = null where dirty_day.taken_at is not null
)
select account_id, count(*) from fresh group by account_id

-- name: merge_start
with fresh as (
  insert into {table} ({columns})
  select {columns} from {stage}
  on conflict do nothing
  returning account_id, unit_id, at, received_at
), dirty as (
  insert into dirty_day (unit_id, day, account_id)
  select distinct unit_id, (at at time zone 'UTC')::date, account_id from fresh order by 1, 2
  on conflict (unit_id, day) do update set marked_at = now(), taken_at = null where dirty_day.taken_at is not null
), newest as (
  insert into heard (unit_id, account_id, last_at, last_received_at)
  select unit_id, account_id, max(at), max(received_at) from fresh group by unit_id, account_id order by unit_id
  on conflict (unit_id) do update set last_at = greatest(heard.last_at, excluded.last_at),
    last_received_at = greatest(heard.last_received_at, excluded.last_received_at)
)
select account_id, count(*) from fresh group by account_id

-- name: differing rows just merged whose key stands with other content; each is looked up by its key, whatever the
-- planner thinks of a table without statistics
select came.account_id, unit.unit, logger.device, came.received_at,
  to_jsonb(came) - '{{account_id,unit_id,received_at}}'::text[],
  to_jsonb(stands) - '{{account_id,unit_id,received_at}}'::text[]
from {stage} came
cross join lateral (
  select * from {table} kept
  where kept.unit_id = came.unit_id and kept.at = came.at and kept.seq = came.seq and kept.account_id = came.account_id
    and kept.at >= %(since)s::date::timestamp at time zone 'UTC'
    and kept.at < %(until)s::date::timestamp at time zone 'UTC'
  offset 0
) stands
join unit on unit.unit_id = came.unit_id and unit.account_id = came.account_id
left join lateral (
  select device from device
  where device.unit_id = came.unit_id and device.account_id = came.account_id and removed_at is null
  order by device limit 1
) logger on true
where ({came}) is distinct from ({stands})
order by came.unit_id, came.at, came.seq

-- name: wake
select pg_notify('halfsecond_dirty', '')

-- name: read_starts
copy (
  select unit.unit, {columns}, (extract(epoch from kept.at) * 1000000)::bigint, kept.extra
  from start kept join unit on unit.unit_id = kept.unit_id
  where kept.account_id = %(account_id)s and unit.account_id = %(account_id)s
    and (%(unit_ids)s::bigint[] is null or kept.unit_id = any(%(unit_ids)s::bigint[]))
    and (%(unit_ids)s::bigint[] is null or unit.unit_id = any(%(unit_ids)s::bigint[]))
    and kept.at >= %(since)s::timestamptz and kept.at < %(until)s::timestamptz
  order by unit.unit collate "C", kept.at, kept.seq
) to stdout (format csv)

-- name: read_rests
select unit.unit, kept.seq, kept.at, kept.t_s, kept.suction_kpa, kept.liquid_kpa, kept.outdoor_c, kept.extra::text
from rest kept join unit on unit.unit_id = kept.unit_id
where kept.account_id = %(account_id)s and unit.account_id = %(account_id)s
  and (%(unit_ids)s::bigint[] is null or kept.unit_id = any(%(unit_ids)s::bigint[]))
  and (%(unit_ids)s::bigint[] is null or unit.unit_id = any(%(unit_ids)s::bigint[]))
  and kept.at >= %(since)s::timestamptz and kept.at < %(until)s::timestamptz
order by unit.unit collate "C", kept.at, kept.seq

-- name: read_events
select unit.unit, kept.seq, kept.at, kept.event, kept.detail, kept.extra::text
from event kept join unit on unit.unit_id = kept.unit_id
where kept.account_id = %(account_id)s and unit.account_id = %(account_id)s
  and (%(unit_ids)s::bigint[] is null or kept.unit_id = any(%(unit_ids)s::bigint[]))
  and (%(unit_ids)s::bigint[] is null or unit.unit_id = any(%(unit_ids)s::bigint[]))
  and kept.at >= %(since)s::timestamptz and kept.at < %(until)s::timestamptz
order by unit.unit collate "C", kept.at, kept.seq
