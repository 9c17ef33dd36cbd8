-- name: devices whose they are; how far the clock is off where that is certain, and how far the last status was off
select device, device.account_id, unit_id, offset_s, offsets_s[cardinality(offsets_s)]
from device left join device_clock using (device) where device = any(%b::text[]) and removed_at is null

-- name: put_status
insert into device_status (device, account_id, online, firmware, clock_ok, sent, received_at)
values (%(device)s, %(account_id)s, %(online)s, %(firmware)s, %(clock_ok)s, %(sent)s, %(received_at)s)
on conflict (device) do update set account_id = excluded.account_id, online = excluded.online,
  firmware = excluded.firmware, clock_ok = excluded.clock_ok, sent = excluded.sent, received_at = excluded.received_at
where not %(retained)s or (device_status.online, device_status.firmware, device_status.clock_ok, device_status.sent)
  is distinct from (excluded.online, excluded.firmware, excluded.clock_ok, excluded.sent)

-- name: count_minute
insert into intake_minute (minute, account_id, received, stored, doubles, quarantined, lag_s)
values (date_trunc('minute', now()), %(account_id)s, %(received)s, %(stored)s, %(doubles)s, %(quarantined)s, %(lag_s)s)
on conflict (account_id, minute) do update set received = intake_minute.received + excluded.received,
  stored = intake_minute.stored + excluded.stored, doubles = intake_minute.doubles + excluded.doubles,
  quarantined = intake_minute.quarantined + excluded.quarantined,
  lag_s = greatest(intake_minute.lag_s, excluded.lag_s)
