-- The call list: the newest verdict of each unit, in the order of what waiting would cost.

-- name: page one page by a falling number: first which units, by narrow columns, then all about them
with picked as (
  select q.unit_id, q.key, q.still_seen, q.still_off
  from (
    select s.unit_id, t.still_seen, t.still_off,
           case %(sort)s::text
             when 'drift' then coalesce(s.drift, -9) when 'outlook' then coalesce(s.lockout_7d, -9) else s.rank
           end as key
    from standing s
    join unit u on u.unit_id = s.unit_id and u.account_id = s.account_id
    left join site si on si.account_id = u.account_id and si.site = u.site
    left join attention a on a.unit_id = s.unit_id and a.account_id = s.account_id
    left join plan p on p.unit_id = s.unit_id and p.account_id = s.account_id and p.ended_at is null
    left join person pe on pe.person_id = p.person_id and pe.account_id = s.account_id
    cross join lateral (
      -- Seen and put off hold for as long as the standing gets no worse than it was then.
      select a.acknowledged_at is not null
               and coalesce(array_position(%(gravest)s::text[], s.standing), 99)
                   >= coalesce(array_position(%(gravest)s::text[], a.acknowledged_standing), 99) as still_seen,
             a.snoozed_until > %(now)s
               and coalesce(array_position(%(gravest)s::text[], s.standing), 99)
                   >= coalesce(array_position(%(gravest)s::text[], a.snoozed_standing), 99) as still_off
    ) t
    where s.account_id = %(account_id)s
      and (%(standings)s::text[] is null or s.standing = any(%(standings)s))
      and (%(causes)s::text[] is null or s.cause = any(%(causes)s))
      and (%(sites)s::text[] is null or u.site = any(%(sites)s))
      and (%(areas)s::text[] is null or si.area = any(%(areas)s))
      and (%(people)s::text[] is null or pe.name = any(%(people)s))
      and (%(models)s::text[] is null or u.model = any(%(models)s))
      and (%(snoozed)s::text <> 'no' or t.still_off is not true)
      and (%(snoozed)s::text <> 'only' or t.still_off)
      and (%(like)s::text is null or u.unit ilike %(like)s or u.site ilike %(like)s or u.model ilike %(like)s
           or si.area ilike %(like)s)
  ) q
  where %(after_key)s::float8 is null or q.key < %(after_key)s or (q.key = %(after_key)s and q.unit_id > %(after_id)s)
  order by q.key desc, q.unit_id
  limit %(limit)s
)
select u.unit_id, u.unit, u.site, si.area, coalesce(si.zone, 'UTC') as zone, u.model, u.metering, u.start_gear,
       u.run_cap_uf, s.standing, s.as_of, s.rank, s.body, s.cause,
       (s.body -> 'causes' ->> s.cause)::float8 as probability, h.last_at,
       case when picked.still_seen then a.acknowledged_at end as acknowledged_at,
       case when picked.still_off then a.snoozed_until end as snoozed_until,
       p.day as plan_day, pe.name as plan_person, p.note as plan_note, p.made_at as plan_made_at, picked.key
from picked
join standing s on s.unit_id = picked.unit_id and s.account_id = %(account_id)s
join unit u on u.unit_id = s.unit_id and u.account_id = s.account_id
left join site si on si.account_id = u.account_id and si.site = u.site
left join heard h on h.unit_id = s.unit_id and h.account_id = s.account_id
left join attention a on a.unit_id = s.unit_id and a.account_id = s.account_id
left join plan p on p.unit_id = s.unit_id and p.account_id = s.account_id and p.ended_at is null
left join person pe on pe.person_id = p.person_id and pe.account_id = s.account_id
order by picked.key desc, picked.unit_id;

-- name: standings how many units of each standing
select standing, count(*) as units from standing where account_id = %(account_id)s group by standing;

-- name: facets how many of the units that want work: by most likely cause, area, model, and who is to visit them
select case grouping(s.cause, si.area, u.model, pe.name)
         when 7 then 'causes' when 11 then 'areas' when 13 then 'models' else 'people' end as facet,
       coalesce(s.cause, si.area, u.model, pe.name) as value, count(*) as units
from standing s
join unit u on u.unit_id = s.unit_id and u.account_id = s.account_id
left join site si on si.account_id = u.account_id and si.site = u.site
left join plan p on p.unit_id = s.unit_id and p.account_id = s.account_id and p.ended_at is null
left join person pe on pe.person_id = p.person_id and pe.account_id = s.account_id
where s.account_id = %(account_id)s and s.standing = any(%(standings)s::text[])
group by grouping sets ((s.cause), (si.area), (u.model), (pe.name))
having coalesce(s.cause, si.area, u.model, pe.name) is not null
order by facet, units desc, value;

-- name: waiting how many days of how many units, or of one unit, have rows that no verdict has taken in
select count(*) as days_waiting, count(distinct unit_id) as units_waiting from dirty_day
where account_id = %(account_id)s and (%(unit_id)s::bigint is null or unit_id = %(unit_id)s);

-- name: snoozed how many units are put off
select count(*) as units
from attention a join standing s on s.unit_id = a.unit_id and s.account_id = a.account_id
where a.account_id = %(account_id)s and a.snoozed_until > %(now)s
  and coalesce(array_position(%(gravest)s::text[], s.standing), 99)
      >= coalesce(array_position(%(gravest)s::text[], a.snoozed_standing), 99);

-- name: sites one page of sites by the gravest of their units that fit
select * from (
  select u.site, max(s.rank) as key, count(*) as units
  from standing s
  join unit u on u.unit_id = s.unit_id and u.account_id = s.account_id
  left join site si on si.account_id = u.account_id and si.site = u.site
  left join attention a on a.unit_id = s.unit_id and a.account_id = s.account_id
  left join plan p on p.unit_id = s.unit_id and p.account_id = s.account_id and p.ended_at is null
  left join person pe on pe.person_id = p.person_id and pe.account_id = s.account_id
  where s.account_id = %(account_id)s and u.site is not null
    and s.standing = any(%(standings)s::text[])
    and (%(causes)s::text[] is null or s.cause = any(%(causes)s))
    and (%(sites)s::text[] is null or u.site = any(%(sites)s))
    and (%(areas)s::text[] is null or si.area = any(%(areas)s))
    and (%(people)s::text[] is null or pe.name = any(%(people)s))
    and (%(models)s::text[] is null or u.model = any(%(models)s))
    and (%(snoozed)s::text = 'also' or coalesce(a.snoozed_until > %(now)s
           and coalesce(array_position(%(gravest)s::text[], s.standing), 99)
               >= coalesce(array_position(%(gravest)s::text[], a.snoozed_standing), 99), false)
         = (%(snoozed)s::text = 'only'))
    and (%(like)s::text is null or u.unit ilike %(like)s or u.site ilike %(like)s or u.model ilike %(like)s
         or si.area ilike %(like)s)
  group by u.site
) q
where %(after_key)s::float8 is null or q.key < %(after_key)s or (q.key = %(after_key)s and q.site > %(after_site)s)
order by q.key desc, q.site
limit %(limit)s;

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
