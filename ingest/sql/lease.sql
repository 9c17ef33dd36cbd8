-- Names at the broker belong to the installation, not to an account: one intake serves all accounts.

-- name: claim
select pg_try_advisory_lock(hashtext('halfsecond intake'), hashtext(%(name)s))

-- name: release
select pg_advisory_unlock(hashtext('halfsecond intake'), hashtext(%(name)s))

-- name: holds
select exists (
  select from pg_locks
  where locktype = 'advisory' and pid = pg_backend_pid() and objsubid = 2 and granted
    and classid::bigint = (hashtext('halfsecond intake')::bigint & 4294967295)
    and objid::bigint = (hashtext(%(name)s)::bigint & 4294967295)
)

-- name: holder
select coalesce(host(client_addr), 'this machine'), backend_start at time zone 'UTC'
from pg_locks join pg_stat_activity using (pid)
where locktype = 'advisory' and objsubid = 2 and granted
  and pg_locks.database = (select oid from pg_database where datname = current_database())
  and classid::bigint = (hashtext('halfsecond intake')::bigint & 4294967295)
  and objid::bigint = (hashtext(%(name)s)::bigint & 4294967295)
  and pg_stat_activity.pid <> pg_backend_pid()
limit 1

-- name: keepalive
-- A machine that has gone without a word is noticed after some 25 s, and its name is free again.
select set_config('tcp_keepalives_idle', '10', false), set_config('tcp_keepalives_interval', '5', false),
  set_config('tcp_keepalives_count', '3', false)
