-- Registering loggers: each is a user of the broker and reports for one unit.

-- name: find (of any account: a device's name is the broker's user, so it is one for all accounts)
select device.account_id = %(account_id)s as ours, device.removed_at is null as active, unit.unit
from device join unit using (unit_id)
where device.device = %(device)s

-- name: put (its row may be there: removed earlier, or given a new password now)
insert into device (device, account_id, unit_id, password_hash)
select %(device)s, account_id, unit_id, %(password_hash)s from unit
where account_id = %(account_id)s and unit_id = %(unit_id)s
on conflict (device) do update
set unit_id = excluded.unit_id, password_hash = excluded.password_hash, removed_at = null
where device.account_id = excluded.account_id
returning device

-- name: remove (the row stays: what it has sent stays its unit's)
update device set removed_at = coalesce(removed_at, now()), password_hash = null
where account_id = %(account_id)s and device = %(device)s
returning device
