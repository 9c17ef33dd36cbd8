-- The call list: the newest verdict of each unit, in the order of what waiting would cost.

-- name: page one page by a falling number
select * from (
  select u.unit_id, u.unit, u.site, coalesce(si.zone, 'UTC') as zone, u.model, u.metering, u.start_gear, u.run_cap_uf,
         s.standing, s.as_of, s.rank, s.body, c.cause, c.probability, h.last_at,
         case %(sort)s::text
           when 'drift' then coalesce((s.body #>> '{run_up,drift}')::float8, -9)
           when 'outlook' then coalesce((s.body ->> 'lockout_7d')::float8, -9)
           else s.rank
         end as key
  from standing s
  join unit u on u.unit_id = s.unit_id and u.account_id = s.account_id
  left join site si on si.account_id = u.account_id and si.site = u.site
  left join heard h on h.unit_id = s.unit_id and h.account_id = s.account_id
  left join lateral (
    select e.key as cause, e.value::float8 as probability
    from jsonb_each_text(case when jsonb_typeof(s.body -> 'causes') = 'object' then s.body -> 'causes' else '{}' end) e
    where e.value is not null
    order by e.value::float8 desc, e.key
    limit 1
  ) c on true
  where s.account_id = %(account_id)s
    and (%(standings)s::text[] is null or s.standing = any(%(standings)s))
    and (%(causes)s::text[] is null or c.cause = any(%(causes)s))
    and (%(sites)s::text[] is null or u.site = any(%(sites)s))
    and (%(models)s::text[] is null or u.model = any(%(models)s))
    and (%(like)s::text is null or u.unit ilike %(like)s or u.site ilike %(like)s or u.model ilike %(like)s)
) q
where %(after_key)s::float8 is null or q.key < %(after_key)s or (q.key = %(after_key)s and q.unit_id > %(after_id)s)
order by q.key desc, q.unit_id
limit %(limit)s;

-- name: standings how many units of each standing
select standing, count(*) as units from standing where account_id = %(account_id)s group by standing;

-- name: causes how many of the units that want work, by most likely cause
select c.cause, count(*) as units
from standing s
cross join lateral (
  select e.key as cause
  from jsonb_each_text(case when jsonb_typeof(s.body -> 'causes') = 'object' then s.body -> 'causes' else '{}' end) e
  where e.value is not null
  order by e.value::float8 desc, e.key
  limit 1
) c
where s.account_id = %(account_id)s and s.standing in ('down', 'service', 'start_assist', 'watch')
group by c.cause
order by units desc, c.cause;

-- name: locked the locked starts of some units since an instant
select unit_id, at, retry
from start
where account_id = %(account_id)s and unit_id = any(%(unit_ids)s::bigint[]) and outcome = 'locked'
  and at > %(since)s and at <= %(until)s
order by at;

-- name: lows the lowest temperature in the newest forecast of some sites
select wanted.site, min(f.outdoor_c) as outdoor_c
from unnest(%(sites)s::text[]) as wanted (site)
cross join lateral (
  select max(g.issued) as issued from forecast g
  where g.account_id = %(account_id)s and g.site = wanted.site and g.issued <= %(since)s
) newest
join forecast f
  on f.account_id = %(account_id)s and f.site = wanted.site and f.issued = newest.issued
  and f.at >= %(since)s and f.at < %(until)s
group by wanted.site;
