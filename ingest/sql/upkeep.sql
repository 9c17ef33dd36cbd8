-- Looking after the tables: partitions made ahead, old days dropped, older chunks packed, quarantine kept within bounds.
-- These are about the server as a whole and so take no account.

-- name: alone one at a time looks after a database
select pg_try_advisory_lock(hashtext('halfsecond upkeep'))

-- name: done
select pg_advisory_unlock(hashtext('halfsecond upkeep'))

-- name: is_hypertable
select exists (select from pg_extension where extname = 'timescaledb')
  and exists (select from pg_class where oid = to_regclass(%s) and relkind = 'r')

-- name: old_partitions partitions of whole days before a day, oldest first
select part.relname, substring(part.relname from '[0-9]{8}$')::date
from pg_inherits join pg_class part on part.oid = inhrelid
where inhparent = to_regclass(%(table)s) and part.relname ~ '_[0-9]{8}$'
  and substring(part.relname from '[0-9]{8}$')::date < %(before)s
order by 2

-- name: drop_partition
drop table {partition}

-- name: patience
set local lock_timeout = '2s'

-- name: drop_chunks
select count(*) from drop_chunks(to_regclass(%(table)s), older_than => %(before)s::timestamptz)

-- name: may_pack whether the server's licence has the columnstore
select current_setting('timescaledb.license', true) = 'timescale'

-- name: enable_columnstore
alter table {table} set (timescaledb.enable_columnstore, timescaledb.segmentby = 'unit_id', timescaledb.orderby = 'at, seq')

-- name: columnstore_enabled
select coalesce(bool_or(compression_enabled), false) from timescaledb_information.hypertables
where hypertable_name = %s and hypertable_schema = current_schema()

-- name: unpacked chunks that end before an instant and are not in the columnstore, or (status 8) took rows since
select format('%%I.%%I', told.chunk_schema, told.chunk_name) from timescaledb_information.chunks told
join _timescaledb_catalog.chunk kept on kept.schema_name = told.chunk_schema and kept.table_name = told.chunk_name
where told.hypertable_name = %(table)s and told.hypertable_schema = current_schema() and told.range_end < %(before)s
  and (not told.is_compressed or kept.status & 8 > 0)
order by told.range_end

-- name: pack
call convert_to_columnstore(%s::regclass, if_not_columnstore => true)

-- name: delete_event
delete from event where ctid = any(array(select ctid from event where at < %(before)s limit %(limit)s))

-- name: delete_wave
delete from wave where ctid = any(array(select ctid from wave where at < %(before)s limit %(limit)s))

-- name: delete_verdict
delete from verdict where ctid = any(array(select ctid from verdict where as_of < %(before)s limit %(limit)s))

-- name: delete_forecast
delete from forecast where ctid = any(array(select ctid from forecast where issued < %(before)s limit %(limit)s))

-- name: delete_dirty_day
delete from dirty_day where ctid = any(array(select ctid from dirty_day where day < %(before)s::date limit %(limit)s))

-- name: delete_intake_minute
delete from intake_minute where ctid = any(array(select ctid from intake_minute where minute < %(before)s limit %(limit)s))

-- name: delete_load_mark
delete from load_mark where ctid = any(array(select ctid from load_mark where marked_at < %(before)s limit %(limit)s))

-- name: delete_quarantine
delete from quarantine where ctid = any(array(select ctid from quarantine where released_at < %(before)s limit %(limit)s))
