-- How far devices' clocks are off.

-- name: known what is known of some clocks
select device, offsets_s, received_at, offset_s, certain_at, records, least_s from device_clock
where device = any(%(devices)s::text[])

-- name: put
insert into device_clock (device, account_id, offsets_s, received_at, offset_s, certain_at, records, least_s)
values (%(device)s, %(account_id)s, %(offsets_s)s, %(received_at)s, %(offset_s)s, %(certain_at)s, %(records)s, %(least_s)s)
on conflict (device) do update set account_id = excluded.account_id, offsets_s = excluded.offsets_s,
  received_at = excluded.received_at, offset_s = excluded.offset_s, certain_at = excluded.certain_at,
  records = excluded.records, least_s = excluded.least_s

-- name: lead a record that was dated after its receipt: the largest lead of a day
insert into device_clock (device, account_id, ahead_s, ahead_at)
values (%(device)s, %(account_id)s, %(ahead_s)s, %(received_at)s)
on conflict (device) do update set account_id = excluded.account_id, ahead_s = excluded.ahead_s, ahead_at = excluded.ahead_at
where device_clock.ahead_s is null or excluded.ahead_s > device_clock.ahead_s
  or excluded.ahead_at > device_clock.ahead_at + interval '1 day'

-- name: stored where records of a clock that is off stand already, by the time that they were sent with
select unit_id, seq, coalesce((extra ->> 'at_sent')::timestamptz, at), at from {table}
where unit_id = any(%(unit_ids)s::bigint[]) and seq = any(%(seqs)s::bigint[])
  and at between %(since)s::timestamptz and %(until)s::timestamptz
order by at desc
