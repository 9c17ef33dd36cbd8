-- name: lock_partitions
select pg_advisory_xact_lock(hashtext('halfsecond partitions'))

-- name: is_partitioned
select relkind = 'p' from pg_class where oid = to_regclass(%s)

-- name: known_partitions
select part.relname
from pg_inherits join pg_class part on part.oid = inhrelid
where inhparent = to_regclass(%s) and part.relname = any(%s)

-- name: make_partition
create table if not exists {partition} (like {table} including all)

-- name: attach_partition
alter table {table} attach partition {partition} for values from ({first}) to ({end})

-- name: wait_for_no_disk
set synchronous_commit = off

-- name: wait_for_disk
reset synchronous_commit

-- name: flush a commit that waits for the disk; it must have written something of its own
select pg_logical_emit_message(true, 'halfsecond', '')
