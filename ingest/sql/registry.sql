-- name: account_id
select account_id from account where name = %s

-- name: add_account
insert into account (name) values (%s) on conflict (name) do nothing

-- name: unit_ids
select unit, unit_id from unit where account_id = %(account_id)s and unit = any(%(units)s::text[])

-- name: unit_names
select unit_id, unit from unit where account_id = %(account_id)s and unit_id = any(%(unit_ids)s::bigint[])

-- name: add_units
insert into unit (account_id, unit)
select %(account_id)s, unit from unnest(%(units)s::text[]) unit
order by unit on conflict (account_id, unit) do nothing

-- name: put_site
insert into site (account_id, site, zone, lat, lon, area)
values (%(account_id)s, %(site)s, coalesce(%(zone)s, 'UTC'), %(lat)s, %(lon)s, %(area)s)
on conflict (account_id, site) do update set
  zone = coalesce(%(zone)s, site.zone), lat = coalesce(excluded.lat, site.lat), lon = coalesce(excluded.lon, site.lon),
  area = coalesce(excluded.area, site.area)

-- name: put_unit
insert into unit (account_id, unit, site, tons, refrigerant, rla_a, lra_a, volts, run_cap_uf, start_gear, start_cap_uf,
  metering, compressor, stages, model, installed)
values (%(account_id)s, %(unit)s, %(site)s, %(tons)s, %(refrigerant)s, %(rla_a)s, %(lra_a)s, %(volts)s, %(run_cap_uf)s,
  %(start_gear)s, %(start_cap_uf)s, %(metering)s, %(compressor)s, %(stages)s, %(model)s, %(installed)s)
on conflict (account_id, unit) do update set
  site = coalesce(excluded.site, unit.site), tons = coalesce(excluded.tons, unit.tons),
  refrigerant = coalesce(excluded.refrigerant, unit.refrigerant), rla_a = coalesce(excluded.rla_a, unit.rla_a),
  lra_a = coalesce(excluded.lra_a, unit.lra_a), volts = coalesce(excluded.volts, unit.volts),
  run_cap_uf = coalesce(excluded.run_cap_uf, unit.run_cap_uf), start_gear = coalesce(excluded.start_gear, unit.start_gear),
  start_cap_uf = coalesce(excluded.start_cap_uf, unit.start_cap_uf), metering = coalesce(excluded.metering, unit.metering),
  compressor = coalesce(excluded.compressor, unit.compressor), stages = coalesce(excluded.stages, unit.stages),
  model = coalesce(excluded.model, unit.model), installed = coalesce(excluded.installed, unit.installed)

-- name: put_device
insert into device (device, account_id, unit_id)
select %(device)s, account_id, unit_id from unit where account_id = %(account_id)s and unit = %(unit)s
on conflict (device) do update set unit_id = excluded.unit_id, removed_at = null
where device.account_id = excluded.account_id

-- name: strange_device
select device from device where device = any(%(devices)s::text[]) and account_id <> %(account_id)s limit 1

-- name: devices
select device, account_id, unit_id from device where device = any(%s::text[]) and removed_at is null

-- name: read_units
select unit.unit, unit.site, site.zone, site.lat, site.lon, tons, refrigerant, rla_a, lra_a, volts, run_cap_uf, start_gear,
  start_cap_uf, metering, compressor, stages, model, installed::text,
  (select min(device) from device where device.unit_id = unit.unit_id and removed_at is null), site.area
from unit left join site using (account_id, site)
where unit.account_id = %(account_id)s and (%(unit_ids)s::bigint[] is null or unit.unit_id = any(%(unit_ids)s::bigint[]))
order by unit.unit collate "C"

-- name: put_visit
insert into visit (account_id, unit_id, at, work, readings, parts, note)
values (%(account_id)s, %(unit_id)s, %(at)s, %(work)s, %(readings)s, %(parts)s, %(note)s)
on conflict (unit_id, at, work) do nothing
returning visit_id

-- name: read_visits
select unit.unit, visit.at, visit.work, visit.readings, visit.parts, visit.note
from visit join unit on unit.unit_id = visit.unit_id
where visit.account_id = %(account_id)s and unit.account_id = %(account_id)s
  and (%(unit_ids)s::bigint[] is null or visit.unit_id = any(%(unit_ids)s::bigint[]))
  and (%(unit_ids)s::bigint[] is null or unit.unit_id = any(%(unit_ids)s::bigint[]))
  and visit.at >= %(since)s::timestamptz and visit.at < %(until)s::timestamptz
order by unit.unit collate "C", visit.at, visit.visit_id

-- name: add_sites
insert into site (account_id, site)
select %(account_id)s, site from unnest(%(sites)s::text[]) site
order by site on conflict (account_id, site) do nothing

-- name: put_forecast
insert into forecast (account_id, site, issued, at, outdoor_c)
select %(account_id)s, %(site)s, %(issued)s, hour.at, hour.outdoor_c
from unnest(%(at)s::timestamptz[], %(outdoor_c)s::real[]) hour (at, outdoor_c)
on conflict (account_id, site, issued, at) do nothing

-- name: mark_sites_dirty
insert into dirty_day (unit_id, day, account_id)
select unit_id, (now() at time zone 'UTC')::date, account_id from unit
where account_id = %(account_id)s and site = any(%(sites)s) order by unit_id
on conflict (unit_id, day) do update set marked_at = now(), taken_at = null where dirty_day.taken_at is not null

-- name: read_forecasts
select site, issued, array_agg(at order by at), array_agg(outdoor_c order by at)
from forecast
where account_id = %(account_id)s and (%(sites)s::text[] is null or site = any(%(sites)s::text[]))
  and issued >= %(since)s::timestamptz and issued < %(until)s::timestamptz
group by site, issued order by site collate "C", issued
