-- The few sampled starts that are kept of each unit.

-- name: follow_a_visit starts that follow a visit, where none that followed the same visit sooner is kept
select told.unit_id, told.seq
from unnest(%(accounts)s::bigint[], %(units)s::bigint[], %(seqs)s::bigint[], %(at)s::timestamptz[])
  told (account_id, unit_id, seq, at)
cross join lateral (
  select max(visit.at) as at from visit
  where visit.account_id = told.account_id and visit.unit_id = told.unit_id and visit.at <= told.at
) visited
where visited.at is not null and not exists (
  select from wave kept
  where kept.account_id = told.account_id and kept.unit_id = told.unit_id and kept.kept = 'after_visit'
    and kept.at between visited.at and told.at
)

-- name: keep_after_visit the first start after the newest visit; what ran last before it is kept as well, where that is known
with visited as (
  select max(at) as at from visit
  where account_id = %(account_id)s and unit_id = %(unit_id)s and at <= %(at)s
), first_after as (
  insert into wave (account_id, unit_id, kept, at, seq, rate_hz, hz, energised_s, current_a, current, voltage_v, voltage)
  select %(account_id)s, %(unit_id)s, 'after_visit', %(at)s, %(seq)s, %(rate_hz)s, %(hz)s, %(energised_s)s, %(current_a)s,
    %(current)s, %(voltage_v)s, %(voltage)s
  from visited
  where visited.at is not null and not exists (
    select from wave kept
    where kept.account_id = %(account_id)s and kept.unit_id = %(unit_id)s and kept.kept = 'after_visit'
      and kept.at between visited.at and %(at)s
  )
  on conflict (unit_id, kept) do update set at = excluded.at, seq = excluded.seq, rate_hz = excluded.rate_hz, hz = excluded.hz,
    energised_s = excluded.energised_s, current_a = excluded.current_a, current = excluded.current,
    voltage_v = excluded.voltage_v, voltage = excluded.voltage
  returning unit_id
), earlier as (
  delete from wave using visited, first_after
  where wave.account_id = %(account_id)s and wave.unit_id = first_after.unit_id and wave.kept = 'before_visit'
    and not exists (
      select from wave ran
      where ran.account_id = %(account_id)s and ran.unit_id = first_after.unit_id and ran.kept = 'ran' and ran.at < visited.at
    )
)
insert into wave (account_id, unit_id, kept, at, seq, rate_hz, hz, energised_s, current_a, current, voltage_v, voltage)
select ran.account_id, ran.unit_id, 'before_visit', ran.at, ran.seq, ran.rate_hz, ran.hz, ran.energised_s, ran.current_a,
  ran.current, ran.voltage_v, ran.voltage
from visited, first_after join wave ran using (unit_id)
where ran.account_id = %(account_id)s and ran.kept = 'ran' and ran.at < visited.at
on conflict (unit_id, kept) do update set at = excluded.at, seq = excluded.seq, rate_hz = excluded.rate_hz, hz = excluded.hz,
  energised_s = excluded.energised_s, current_a = excluded.current_a, current = excluded.current,
  voltage_v = excluded.voltage_v, voltage = excluded.voltage

-- name: keep_last the newest start that went as this one did
insert into wave (account_id, unit_id, kept, at, seq, rate_hz, hz, energised_s, current_a, current, voltage_v, voltage)
values (%(account_id)s, %(unit_id)s, %(kept)s, %(at)s, %(seq)s, %(rate_hz)s, %(hz)s, %(energised_s)s, %(current_a)s,
  %(current)s, %(voltage_v)s, %(voltage)s)
on conflict (unit_id, kept) do update set at = excluded.at, seq = excluded.seq, rate_hz = excluded.rate_hz, hz = excluded.hz,
  energised_s = excluded.energised_s, current_a = excluded.current_a, current = excluded.current,
  voltage_v = excluded.voltage_v, voltage = excluded.voltage
where wave.account_id = excluded.account_id and wave.at < excluded.at

-- name: of_unit what is kept of a unit, with what each start came to; the newest first
select w.kept, w.at, w.seq, s.outcome, s.run_up_s, s.peak_a, s.run_a, s.line_v, s.line_min_v, s.outdoor_c,
  w.rate_hz, w.hz, w.energised_s, w.current_a, w.current, w.voltage_v, w.voltage
from wave w
left join start s on s.unit_id = w.unit_id and s.at = w.at and s.seq = w.seq and s.account_id = w.account_id
where w.account_id = %(account_id)s and w.unit_id = %(unit_id)s and (%(kept)s::text is null or w.kept = %(kept)s)
order by w.at desc, w.kept
