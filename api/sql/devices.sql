-- Devices of an account, each with what was last heard of it.

-- name: page devices by name
select d.device, u.unit, u.site, coalesce(si.zone, 'UTC') as zone, d.added_at, d.password_hash is not null as password,
       ds.online, ds.firmware, ds.clock_ok, ds.sent, ds.received_at as status_at, h.last_at,
       c.offset_s, case when c.ahead_at > %(clock_since)s then c.ahead_s end as ahead_s,
       coalesce(h.last_at < %(silent_before)s, true) as silent
from device d
join unit u on u.unit_id = d.unit_id and u.account_id = d.account_id
left join site si on si.account_id = u.account_id and si.site = u.site
left join heard h on h.unit_id = d.unit_id and h.account_id = d.account_id
left join device_status ds on ds.device = d.device and ds.account_id = d.account_id
left join device_clock c on c.device = d.device and c.account_id = d.account_id
where d.account_id = %(account_id)s and d.removed_at is null
  and (%(after)s::text is null or d.device > %(after)s)
  and (%(like)s::text is null or d.device ilike %(like)s or u.unit ilike %(like)s or u.site ilike %(like)s)
  and (%(firmware)s::text[] is null or ds.firmware = any(%(firmware)s::text[]))
  and (not %(silent)s or h.last_at is null or h.last_at < %(silent_before)s)
  and (not %(offline)s or ds.online is false)
  and (not %(clock)s or d.device in (
    select told.device from device_status told where told.account_id = %(account_id)s and told.clock_ok is false
    union all
    select off.device from device_clock off where off.account_id = %(account_id)s and (off.offset_s is not null
      or (off.ahead_s > %(clock_least_s)s and off.ahead_at > %(clock_since)s))))
  and (%(names)s::text[] is null or d.device = any(%(names)s::text[]))
order by d.device
limit %(limit)s;

-- name: missing records never received, of all devices that miss some: the view looks at the whole account in any case
select gap.device, gap.missing::bigint as missing
from device_gap gap
join device d on d.device = gap.device and d.account_id = gap.account_id and d.removed_at is null
where gap.account_id = %(account_id)s and gap.missing > 0;

-- name: numbers the newest number that came from some devices
select device, max(upper(received)) - 1 as newest from device_seq
where account_id = %(account_id)s and device = any(%(devices)s::text[])
group by device;

-- name: counts of how many devices something is the matter
select count(*) as devices,
       count(*) filter (where h.last_at is null or h.last_at < %(silent_before)s) as silent,
       count(*) filter (where ds.online is false) as offline,
       count(*) filter (where ds.clock_ok is false or c.offset_s is not null
         or (c.ahead_s > %(clock_least_s)s and c.ahead_at > %(clock_since)s)) as clock
from device d
left join heard h on h.unit_id = d.unit_id and h.account_id = d.account_id
left join device_status ds on ds.device = d.device and ds.account_id = d.account_id
left join device_clock c on c.device = d.device and c.account_id = d.account_id
where d.account_id = %(account_id)s and d.removed_at is null;

-- name: firmwares the most frequent firmware versions
select firmware, count(*) as devices
from device_status ds
join device d on d.device = ds.device and d.account_id = ds.account_id and d.removed_at is null
where ds.account_id = %(account_id)s and firmware is not null
group by firmware order by 2 desc, 1 limit 12;
