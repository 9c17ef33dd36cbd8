-- Units, their nameplates and their histories.

-- name: page units by name
select u.unit_id, u.unit, u.site, si.area, coalesce(si.zone, 'UTC') as zone, si.lat, si.lon, u.tons, u.refrigerant, u.rla_a, u.lra_a,
       u.volts, u.run_cap_uf, u.start_gear, u.start_cap_uf, u.metering, u.compressor, u.stages, u.model, u.installed,
       d.device, s.standing, s.as_of, h.last_at
from unit u
left join site si on si.account_id = u.account_id and si.site = u.site
left join standing s on s.unit_id = u.unit_id and s.account_id = u.account_id
left join heard h on h.unit_id = u.unit_id and h.account_id = u.account_id
left join lateral (
  select device from device
  where unit_id = u.unit_id and account_id = u.account_id and removed_at is null
  order by added_at desc limit 1
) d on true
where u.account_id = %(account_id)s
  and (%(unit)s::text is null or u.unit = %(unit)s)
  and (%(after)s::text is null or u.unit > %(after)s)
  and (%(like)s::text is null or u.unit ilike %(like)s or u.site ilike %(like)s or u.model ilike %(like)s)
order by u.unit
limit %(limit)s;

-- name: newest the newest verdict of one unit
select body, as_of, standing, rank from standing where account_id = %(account_id)s and unit_id = %(unit_id)s;

-- name: starts newest first
select at, seq, outcome, run_up_s, peak_a, run_a, run_w, run_pf, line_v, line_min_v, close_deg, off_s, ran_s, outdoor_c,
       suction_kpa, liquid_kpa, mode, stage, retry, extra
from start
where account_id = %(account_id)s and unit_id = %(unit_id)s
  and (%(since)s::timestamptz is null or at >= %(since)s)
  and (%(until)s::timestamptz is null or at < %(until)s)
  and (%(outcome)s::text is null or outcome = %(outcome)s)
  and (%(after_at)s::timestamptz is null or (at, seq) < (%(after_at)s, %(after_seq)s))
order by at desc, seq desc
limit %(limit)s;

-- name: verdicts newest first
select as_of, body
from verdict
where account_id = %(account_id)s and unit_id = %(unit_id)s
  and (%(since)s::timestamptz is null or as_of >= %(since)s)
  and (%(until)s::timestamptz is null or as_of < %(until)s)
  and (%(after)s::timestamptz is null or as_of < %(after)s)
order by as_of desc
limit %(limit)s;

-- name: band what each day's verdict expected and found
select as_of, (body #>> '{run_up,expected_s}')::float8 as expected_s, (body #>> '{run_up,now_s}')::float8 as now_s,
       (body #>> '{run_up,low}')::float8 as low, (body #>> '{run_up,high}')::float8 as high
from verdict
where account_id = %(account_id)s and unit_id = %(unit_id)s and as_of >= %(since)s and as_of <= %(until)s
order by as_of;

-- name: chart the starts of a chart
select at, outcome, run_up_s, outdoor_c, off_s
from start
where account_id = %(account_id)s and unit_id = %(unit_id)s and at >= %(since)s and at <= %(until)s
order by at
limit 20000;

-- name: last the newest start
select at, outcome, run_up_s, outdoor_c, line_v
from start
where account_id = %(account_id)s and unit_id = %(unit_id)s and at <= %(until)s
order by at desc, seq desc limit 1;

-- name: locked_by_temperature first tries by the outdoor temperature, in bands of the reader's degrees
select floor((case when %(customary)s then outdoor_c * 1.8 + 32 else outdoor_c end) / %(step)s)::int as band,
       count(*) as starts, count(*) filter (where outcome = 'locked') as locked
from start
where account_id = %(account_id)s and unit_id = %(unit_id)s and at >= %(since)s and at <= %(until)s
  and outdoor_c is not null and outcome in ('ran', 'locked') and coalesce(retry, 0) = 0
group by band
order by band;

-- name: rests the newest rests with both pressures
select at, t_s, suction_kpa, liquid_kpa, outdoor_c
from rest
where account_id = %(account_id)s and unit_id = %(unit_id)s and at >= %(since)s and at <= %(until)s
  and suction_kpa is not null and liquid_kpa is not null
order by at desc
limit %(limit)s;

-- name: has_rests whether there is any rest with both pressures
select at from rest
where account_id = %(account_id)s and unit_id = %(unit_id)s and at >= %(since)s and at <= %(until)s
  and suction_kpa is not null and liquid_kpa is not null
limit 1;
