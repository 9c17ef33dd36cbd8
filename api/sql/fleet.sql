-- Cohorts, intake and forecasts.

-- name: cohorts units by model, metering device, start gear, age and area, and by each of them alone
select case grouping(u.model, u.metering, u.start_gear, a.age, si.area)
         when 15 then 'model' when 23 then 'metering' when 27 then 'start_gear' when 29 then 'age' when 30 then 'area'
         else 'all' end as by,
       case grouping(u.model, u.metering, u.start_gear, a.age, si.area)
         when 15 then u.model when 23 then u.metering when 27 then u.start_gear when 29 then a.age
         when 30 then si.area end as value,
       count(*) as units,
       count(*) filter (where s.standing not in ('learning', 'silent')) as judged,
       count(*) filter (where s.standing in ('watch', 'start_assist', 'service', 'down')) as flagged,
       count(*) filter (where s.standing = 'down') as down
from unit u
left join standing s on s.unit_id = u.unit_id and s.account_id = u.account_id
left join site si on si.account_id = u.account_id and si.site = u.site
left join lateral (
  select case when y < 5 then '0 to 4 years' when y < 10 then '5 to 9 years' when y < 15 then '10 to 14 years'
              when y >= 15 then '15 years and more' end as age
  from extract(year from age(%(now)s::timestamptz, u.installed::timestamptz)) y
) a on true
where u.account_id = %(account_id)s
group by grouping sets ((u.model), (u.metering), (u.start_gear), (a.age), (si.area), ())
order by grouping(u.model, u.metering, u.start_gear, a.age, si.area) <> 31, 1, flagged desc, units desc, 2;

-- name: received what intake wrote since an instant, by the minute of receiving
select coalesce(sum(received), 0)::bigint as received, coalesce(sum(stored), 0)::bigint as stored,
       coalesce(sum(doubles), 0)::bigint as doubles, coalesce(sum(quarantined), 0)::bigint as quarantined
from intake_minute
where account_id = %(account_id)s and minute > %(since)s;

-- name: quarantine open records by reason; whoever runs the server also sees those of no account (unknown devices)
select reason, count(*) as records, min(received_at) as first_at, max(received_at) as last_at
from quarantine
where (account_id = %(account_id)s or (%(operator)s and account_id is null)) and released_at is null
group by reason
order by records desc, reason;

-- name: devices devices, how many are on line, and of how many the clock is wrong by their own word or for certain
select count(*) as devices, count(*) filter (where ds.online) as online,
       count(*) filter (where ds.online is false) as offline,
       count(*) filter (where ds.clock_ok is false or c.offset_s is not null) as clock_wrong
from device d
left join device_status ds on ds.device = d.device and ds.account_id = d.account_id
left join device_clock c on c.device = d.device and c.account_id = d.account_id
where d.account_id = %(account_id)s and d.removed_at is null;

-- name: missing records never received, and of how many devices
select coalesce(sum(gap.missing), 0)::bigint as missing_records, count(*) as missing_devices
from device_gap gap join device d on d.device = gap.device and d.account_id = gap.account_id
where gap.account_id = %(account_id)s and gap.missing > 0 and d.removed_at is null;

-- name: gaps devices of which records were never received, most first
select gap.device, u.unit, gap.missing::bigint as missing, gap.newest, gap.sent
from device_gap gap
join device d on d.device = gap.device and d.account_id = gap.account_id
join unit u on u.unit_id = d.unit_id and u.account_id = d.account_id
where gap.account_id = %(account_id)s and gap.missing > 0 and d.removed_at is null
order by gap.missing desc, gap.device
limit %(limit)s;

-- name: clocks devices whose clock is off, most first
select c.device, u.unit, c.offset_s, case when c.ahead_at > %(since)s then c.ahead_s end as ahead_s,
       greatest(c.certain_at, c.ahead_at) as noted_at
from device_clock c
join device d on d.device = c.device and d.account_id = c.account_id
join unit u on u.unit_id = d.unit_id and u.account_id = d.account_id
where c.account_id = %(account_id)s and d.removed_at is null
  and (c.offset_s is not null or (c.ahead_s > %(least_s)s and c.ahead_at > %(since)s))
order by abs(coalesce(c.offset_s, c.ahead_s)) desc, c.device
limit %(limit)s;

-- name: silent devices that have not been heard since an instant
select d.device, u.unit, u.site, coalesce(si.zone, 'UTC') as zone, h.last_at, ds.online
from device d
join unit u on u.unit_id = d.unit_id and u.account_id = d.account_id
left join site si on si.account_id = u.account_id and si.site = u.site
left join heard h on h.unit_id = d.unit_id and h.account_id = d.account_id
left join device_status ds on ds.device = d.device and ds.account_id = d.account_id
where d.account_id = %(account_id)s and d.removed_at is null and (h.last_at is null or h.last_at < %(before)s)
order by h.last_at nulls first, d.device
limit %(limit)s;

-- name: lag the newest start, its receipt, and how late intake was in its newest minute
select max(h.last_received_at) as received_at, max(h.last_at) as newest_at,
       (select m.lag_s from intake_minute m where m.account_id = %(account_id)s order by m.minute desc limit 1) as lag_s
from heard h where h.account_id = %(account_id)s;

-- name: site one site
select site, zone, lat, lon from site where account_id = %(account_id)s and site = %(site)s;

-- name: forecast the newest forecast of a site
select f.issued, f.at, f.outdoor_c
from forecast f
where f.account_id = %(account_id)s and f.site = %(site)s
  and f.issued = (
    select max(g.issued) from forecast g
    where g.account_id = %(account_id)s and g.site = %(site)s and g.issued <= %(until)s
  )
order by f.at;
