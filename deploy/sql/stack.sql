-- The broker serves every account, so this one statement reads all of them.
-- name: broker_users
select device, password_hash
from device
where removed_at is null and password_hash is not null
order by device;

-- name: set_password_hash
update device
set password_hash = %(password_hash)s
where account_id = %(account_id)s and device = %(device)s;

-- name: has_status
select 1 from device_status where account_id = %(account_id)s and device = %(device)s;

-- name: newest_start
select max(last_at) from heard where account_id = %(account_id)s;

-- The notices serve every account in which anybody can be told.
-- name: longest_unlooked_min
select extract(epoch from now() - min(coalesce(n.passed_at, t.added_at))) / 60
from notice_target t left join notice_account n using (account_id);

-- One watch serves every account, so this statement reads all of them.
-- name: longest_wait_min
select extract(epoch from now() - min(marked_at)) / 60 from dirty_day;
