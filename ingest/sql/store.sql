-- What the tables hold and whether it hangs together, for whoever runs the server: over all accounts.

-- name: sizes tables of plain PostgreSQL, a partitioned one with its partitions
select parent.relname as table, pg_partition_count.parts as parts,
  coalesce(sum(case when leaf.reltuples > 0 then leaf.reltuples else 0 end), 0)::bigint as rows,
  coalesce(sum(pg_total_relation_size(leaf.oid)), 0)::bigint as bytes
from pg_class parent
cross join lateral (select count(*) as parts from pg_inherits where inhparent = parent.oid) pg_partition_count
join pg_class leaf on leaf.oid = parent.oid and parent.relkind = 'r'
  or leaf.oid in (select inhrelid from pg_inherits where inhparent = parent.oid)
where parent.relnamespace = current_schema()::regnamespace and parent.relkind in ('r', 'p') and not parent.relispartition
group by 1, 2
order by 4 desc, 1

-- name: hypertable_sizes
select hypertable_name as table,
  (select count(*) from timescaledb_information.chunks c where c.hypertable_name = h.hypertable_name) as parts,
  (select count(*) from timescaledb_information.chunks c where c.hypertable_name = h.hypertable_name and is_compressed)
    as packed,
  approximate_row_count(format('%I.%I', hypertable_schema, hypertable_name)::regclass) as rows,
  hypertable_size(format('%I.%I', hypertable_schema, hypertable_name)::regclass) as bytes
from timescaledb_information.hypertables h where hypertable_schema = current_schema()

-- name: server
select current_setting('server_version') as server, (select extversion from pg_extension where extname = 'timescaledb') as timescaledb,
  pg_database_size(current_database()) as bytes

-- name: version
select version_num from schema_version

-- name: no_partition days from today on that have no partition yet
select day::date::text from generate_series(current_date, current_date + %(days)s::int, interval '1 day') day
where to_regclass(format('%%s_%%s', %(table)s::text, to_char(day, 'YYYYMMDD'))) is null

-- name: strangers units that have starts since an instant under an account that is not theirs, or are not there
select count(*) from (select distinct account_id, unit_id from start where at >= %(since)s) seen
left join unit using (unit_id, account_id) where unit.unit is null

-- name: unheard units whose newest start is newer than what is noted of them
select count(*) from (select unit_id, max(at) as at from start where at >= %(since)s group by unit_id) seen
left join heard using (unit_id) where heard.last_at is null or heard.last_at < seen.at

-- name: waiting days that the watch has not looked at for an hour, and how old the oldest is in minutes
select count(*), coalesce(extract(epoch from now() - min(marked_at)) / 60, 0)::bigint from dirty_day
where marked_at < now() - interval '1 hour'

-- name: unstood units with a verdict whose newest is not the one that the call list shows
select count(*) from (select unit_id, max(as_of) as as_of from verdict group by unit_id) newest
left join standing using (unit_id) where standing.as_of is distinct from newest.as_of

-- name: invalid indexes that are not usable
select count(*) from pg_index where not indisvalid and indrelid::regclass::text !~ '^_?timescaledb'

-- name: held what is in quarantine
select count(*), coalesce(sum(octet_length(payload)), 0)::bigint from quarantine where released_at is null

-- name: missing records never received, and of how many devices
select coalesce(sum(missing), 0)::bigint, count(*) from device_gap where missing > 0

-- name: clocks devices whose clock is certainly off
select count(*) from device_clock where offset_s is not null
