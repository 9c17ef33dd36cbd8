-- The numbers of records that have come, by device and kind, as ranges.

-- name: note numbers that came; a device with more than some thousand gaps begins anew, so that a row stays small
insert into device_seq (device, kind, account_id, received)
select * from unnest(%(devices)b::text[], %(kinds)b::text[], %(accounts)b::bigint[], %(ranges)b::int8multirange[]) one
order by 1, 2
on conflict (device, kind) do update set account_id = excluded.account_id,
  received = case when pg_column_size(device_seq.received) < 20000 then device_seq.received
    else int8multirange(range_merge(device_seq.received)) end + excluded.received
where not device_seq.received @> excluded.received or device_seq.account_id <> excluded.account_id

-- name: gaps devices of which records were never received, most first
select gap.device, unit.unit, gap.missing::bigint as missing, gap.newest, gap.sent, gap.between_received::text as ranges
from device_gap gap join device using (device, account_id) join unit using (unit_id, account_id)
where gap.account_id = %(account_id)s and gap.missing > 0 and device.removed_at is null
  and (%(device)s::text is null or gap.device = %(device)s)
order by gap.missing desc, gap.device limit %(limit)s

-- name: forget gaps of a device, as if all up to the newest had come
update device_seq set received = int8multirange(int8range(lower(received), greatest(upper(received), (
  select sent + 1 from device_status s where s.device = device_seq.device and device_seq.kind = 'starts'))))
where account_id = %(account_id)s and device = %(device)s
