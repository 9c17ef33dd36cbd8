-- name: put
insert into quarantine (account_id, device, topic, payload, reason, detail, received_at)
values (%(account_id)s, %(device)s, %(topic)s, %(payload)s, %(reason)s, %(detail)s, %(received_at)s)
on conflict (topic, sha256(payload)) where released_at is null
do update set seen = quarantine.seen + 1, reason = excluded.reason, detail = excluded.detail

-- name: listed
select quarantine_id, received_at, reason, device, topic, detail, seen, tries, octet_length(payload) as bytes
from quarantine
where released_at is null
  and (%(account_id)s::bigint is null or account_id = %(account_id)s or (account_id is null and %(strays)s))
  and (%(reason)s::text is null or reason = %(reason)s)
  and (%(device)s::text is null or device = %(device)s)
  and quarantine_id > %(after)s
order by quarantine_id limit %(limit)s

-- name: counted
select reason, count(*) from quarantine
where released_at is null
  and (%(account_id)s::bigint is null or account_id = %(account_id)s or (account_id is null and %(strays)s))
group by reason order by count(*) desc, reason

-- name: shown
select quarantine_id, received_at, reason, device, topic, detail, seen, tries, released_at, payload from quarantine
where quarantine_id = %(quarantine_id)s
  and (%(account_id)s::bigint is null or account_id = %(account_id)s or (account_id is null and %(strays)s))

-- name: held
select topic, payload, received_at, reason from quarantine
where quarantine_id = %(quarantine_id)s and released_at is null for update skip locked

-- name: released
update quarantine set released_at = now(), tries = tries + 1, account_id = coalesce(account_id, %(account_id)s)
where quarantine_id = %(quarantine_id)s

-- name: kept
update quarantine set tries = tries + 1, reason = coalesce(%(reason)s, reason), detail = %(detail)s,
  account_id = coalesce(account_id, %(account_id)s)
where quarantine_id = %(quarantine_id)s

-- name: again count that it was tried
update quarantine set tries = tries + 1 where quarantine_id = %(quarantine_id)s

-- name: drop
delete from quarantine where quarantine_id = %(quarantine_id)s and released_at is null

-- name: trim what is over the cap: first what was released, then of each device the oldest, most of those that have most
delete from quarantine where quarantine_id in (
  select quarantine_id from (
    select quarantine_id, row_number() over kept as items, sum(bytes) over kept as bytes
    from (
      select quarantine_id, released_at is not null as released, octet_length(payload) as bytes,
        row_number() over (partition by account_id, device order by quarantine_id desc) as place
      from quarantine
    ) placed window kept as (order by released, place, quarantine_id desc)
  ) counted where items > %(items)s or bytes > %(bytes)s
)
