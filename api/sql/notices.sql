-- Notices: who wants to be told, which standings changed, what was told, and how far each message has come.

-- name: accounts in which anybody can be told; the program serves all of them
select a.account_id, a.name, a.settings, (select max(last_at) from heard h where h.account_id = a.account_id) as heard_at
from account a
where exists (select from notice_target t where t.account_id = a.account_id)
order by a.account_id;

-- name: forget accounts in which nobody can be told any more: what holds when somebody is again is no change
with gone as (
  delete from notice_account n
  where not exists (select from notice_target t where t.account_id = n.account_id)
  returning account_id
)
delete from notice_unit using gone where notice_unit.account_id = gone.account_id;

-- name: alone one at a time looks at an account
select pg_try_advisory_xact_lock(hashtext('halfsecond notices'), (%(account_id)s %% 2147483648)::int) as alone;

-- name: facts of our own parts: an intake's lease is an advisory lock, and intake and watch serve every account
select count(*) as devices, count(*) filter (where ds.online) as online,
       count(*) filter (where ds.online is false) as offline,
       (select count(*) from pg_locks
        where locktype = 'advisory' and objsubid = 2 and granted
          and database = (select oid from pg_database where datname = current_database())
          and classid::bigint = (hashtext('halfsecond intake')::bigint & 4294967295)) as intakes,
       (select max(m.minute) from account a cross join lateral (
          select minute from intake_minute i where i.account_id = a.account_id order by minute desc limit 1) m)
         as received_at,
       (select count(*) from (select from device where removed_at is null limit 4) d) as of_all,
       (select min(marked_at) from dirty_day) as waiting_since,
       (select max(as_of) from standing s where s.account_id = %(account_id)s) as judged_at
from device d
left join device_status ds on ds.device = d.device and ds.account_id = d.account_id
where d.account_id = %(account_id)s and d.removed_at is null;

-- name: trust as it was left
select behind, behind_since, settled_at, silence_at from notice_account where account_id = %(account_id)s;

-- name: set_trust and that the account was looked at
insert into notice_account (account_id, behind, behind_since, settled_at, silence_at)
values (%(account_id)s, %(behind)s, %(behind_since)s, %(settled_at)s, %(silence_at)s)
on conflict (account_id) do update set behind = excluded.behind, behind_since = excluded.behind_since,
  settled_at = excluded.settled_at, silence_at = excluded.silence_at, passed_at = now();

-- name: first whether no unit of the account was looked at yet
select not exists (select from notice_unit where account_id = %(account_id)s) as first;

-- name: changed units whose standing is another than when last looked at, or that have been calm for long enough
select u.unit_id, u.unit, u.site, coalesce(si.zone, 'UTC') as zone, s.standing, s.as_of,
       case when s.standing = 'silent' then 'silent' else coalesce(s.cause, 'none') end as cause,
       coalesce(n.standing, 'learning') as was, n.told, n.better_since, m.standing as muted
from standing s
join unit u on u.unit_id = s.unit_id and u.account_id = s.account_id
left join site si on si.account_id = u.account_id and si.site = u.site
left join notice_unit n on n.unit_id = s.unit_id and n.account_id = s.account_id
left join notice_mute m on m.unit_id = s.unit_id and m.account_id = s.account_id
where s.account_id = %(account_id)s
  and (%(first)s or n.unit_id is null or n.standing <> s.standing or n.better_since <= %(calm)s)
order by u.unit_id;

-- name: remember what was looked at
insert into notice_unit (unit_id, account_id, standing, told, better_since)
select seen.unit_id, %(account_id)s, seen.standing, seen.told, seen.better_since
from unnest(%(unit_ids)s::bigint[], %(standings)s::text[], %(told)s::text[], %(better)s::timestamptz[])
  as seen (unit_id, standing, told, better_since)
join unit u on u.unit_id = seen.unit_id and u.account_id = %(account_id)s
on conflict (unit_id) do update set standing = excluded.standing, told = excluded.told,
  better_since = excluded.better_since;

-- name: end_mutes of units that stand worse than when they were muted, or were visited since
delete from notice_mute m
using standing s
where m.account_id = %(account_id)s and s.unit_id = m.unit_id and s.account_id = m.account_id
  and (coalesce(array_position(%(levels)s::text[], s.standing), 1)
         > coalesce(array_position(%(levels)s::text[], m.standing), 1)
       or exists (select from visit v where v.account_id = m.account_id and v.unit_id = m.unit_id and v.at > m.muted_at));

-- name: people who can be told, with their wishes
select p.person_id, p.name as person,
       coalesce(w.standings, '{down,service,start_assist,silent}') as standings, w.quiet_from, w.quiet_to,
       coalesce(w.wake_for_down, false) as wake_for_down,
       case when w.person_id is null then 7 else w.digest_hour end as digest_hour
from person p
left join notice_person w on w.person_id = p.person_id and w.account_id = p.account_id
where p.account_id = %(account_id)s
  and exists (select from notice_target t where t.person_id = p.person_id and t.account_id = p.account_id)
order by p.person_id;

-- name: zone that most sites of the account are in
select mode() within group (order by zone) as zone from site where account_id = %(account_id)s;

-- name: told lately, the gravest of each person, site and cause
select person_id, site, cause, max(array_position(%(levels)s::text[], standing)) - 1 as gravest, max(closed_at) as at
from notice
where account_id = %(account_id)s and kind = 'change' and closed_at > %(since)s and person_id is not null
group by person_id, site, cause;

-- name: gathering messages that are not closed yet
select notice_id, person_id, site, cause, triggers, due_at
from notice
where account_id = %(account_id)s and kind = 'change' and closed_at is null and person_id is not null;

-- name: begin a message that gathers units
insert into notice (account_id, person_id, person, kind, site, cause, standing, units, triggers, made_at, due_at)
values (%(account_id)s, %(person_id)s, %(person)s, 'change', %(site)s, %(cause)s, %(standing)s, %(units)s, %(triggers)s,
        %(at)s, %(due_at)s);

-- name: add units to a message
update notice set standing = %(standing)s, units = %(units)s, triggers = %(triggers)s, due_at = %(due_at)s
where account_id = %(account_id)s and notice_id = %(notice_id)s and closed_at is null;

-- name: begin_digest of a person's day; none where there is one
insert into notice (account_id, person_id, person, kind, day, made_at, due_at)
values (%(account_id)s, %(person_id)s, %(person)s, 'digest', %(day)s, %(at)s, %(due_at)s)
on conflict do nothing;

-- name: had_digest people who had the digest of a day already
select person_id from notice
where account_id = %(account_id)s and kind = 'digest' and day = %(day)s and person_id is not null;

-- name: due messages whose time has come
select notice_id, person_id, person, kind, site, cause, triggers
from notice
where account_id = %(account_id)s and closed_at is null and due_at <= %(at)s
order by due_at, notice_id
for update;

-- name: lately messages of changes that went to each person, and those that stood for several
select n.person_id, count(*) filter (where n.cause <> 'several') as single,
       count(*) filter (where n.cause = 'several') as several
from notice n
where n.account_id = %(account_id)s and n.kind = 'change' and n.closed_at > %(since)s and n.person_id is not null
  and exists (select from notice_delivery d where d.notice_id = n.notice_id and d.account_id = n.account_id)
group by n.person_id;

-- name: begin_several a message that stands for several, closed as it is made
insert into notice (account_id, person_id, person, kind, cause, standing, units, triggers, made_at, due_at, closed_at,
  title, body)
values (%(account_id)s, %(person_id)s, %(person)s, 'change', 'several', %(standing)s, %(units)s, %(triggers)s, %(at)s,
  %(at)s, %(at)s, %(title)s, %(body)s)
returning notice_id;

-- name: close a message: its text is made, and is not changed any more
update notice set closed_at = %(at)s, title = %(title)s, body = %(body)s, units = %(units)s,
  standing = coalesce(%(standing)s, standing), triggers = %(triggers)s
where account_id = %(account_id)s and notice_id = %(notice_id)s;

-- name: units that a message describes, the worst first
select u.unit_id, u.unit, u.site, coalesce(si.zone, 'UTC') as zone, u.start_gear, u.run_cap_uf, u.start_cap_uf,
       s.standing, s.as_of, s.body, s.cause, (s.body -> 'causes' ->> s.cause)::float8 as probability
from standing s
join unit u on u.unit_id = s.unit_id and u.account_id = s.account_id
left join site si on si.account_id = u.account_id and si.site = u.site
where s.account_id = %(account_id)s and u.unit = any(%(units)s::text[])
order by s.rank desc, u.unit_id
limit %(limit)s;

-- name: unseen units that nobody has acknowledged, put off or muted, the worst first, with how many there are of each
select u.unit, s.standing, s.as_of, count(*) over (partition by s.standing) as many
from standing s
join unit u on u.unit_id = s.unit_id and u.account_id = s.account_id
left join attention a on a.unit_id = s.unit_id and a.account_id = s.account_id
where s.account_id = %(account_id)s and s.standing = any(%(standings)s::text[])
  and not exists (select from notice_mute m where m.unit_id = s.unit_id and m.account_id = s.account_id)
  and not coalesce(a.acknowledged_at is not null
       and coalesce(array_position(%(gravest)s::text[], s.standing), 99)
           >= coalesce(array_position(%(gravest)s::text[], a.acknowledged_standing), 99), false)
  and not coalesce(a.snoozed_until > %(now)s
       and coalesce(array_position(%(gravest)s::text[], s.standing), 99)
           >= coalesce(array_position(%(gravest)s::text[], a.snoozed_standing), 99), false)
order by s.rank desc, u.unit_id;

-- name: targets of some people
select target_id, person_id, url from notice_target
where account_id = %(account_id)s and person_id = any(%(person_ids)s::bigint[])
order by target_id;

-- name: deliver a message to a target
insert into notice_delivery (account_id, notice_id, target_id, target)
values (%(account_id)s, %(notice_id)s, %(target_id)s, %(target)s);

-- name: unqueued deliveries that no task has been made for
select delivery_id from notice_delivery
where account_id = %(account_id)s and queued_at is null
order by delivery_id limit 1000
for update skip locked;

-- name: queued they have one now
update notice_delivery set queued_at = now() where account_id = %(account_id)s and delivery_id = any(%(ids)s::bigint[]);

-- name: in_queue for the rest of the transaction the queue's own names are found first
set local search_path to queue, public;

-- name: take a delivery in hand; none where it is done with
update notice_delivery d set state = 'sending', tries = d.tries + 1, changed_at = now()
from notice n
where d.account_id = %(account_id)s and d.delivery_id = %(delivery_id)s and d.state in ('waiting', 'sending')
  and n.notice_id = d.notice_id and n.account_id = d.account_id
returning d.tries, n.title, n.body, n.triggers, n.closed_at,
  (select t.url from notice_target t where t.target_id = d.target_id and t.account_id = d.account_id) as url;

-- name: note how it went
update notice_delivery set state = %(state)s, error = %(error)s, changed_at = now()
where account_id = %(account_id)s and delivery_id = %(delivery_id)s and state = 'sending';

-- name: forget_old messages
delete from notice where account_id = %(account_id)s and made_at < %(before)s and closed_at is not null;

-- name: page one page of messages, newest first
select n.notice_id, n.person, n.kind, n.site, n.cause, n.standing, n.units, n.triggers, n.day, n.made_at, n.due_at,
       n.closed_at, n.title, n.body,
       coalesce((select jsonb_agg(jsonb_build_object('target', d.target, 'state', d.state, 'tries', d.tries,
                                                     'error', d.error, 'changed_at', d.changed_at) order by d.delivery_id)
                 from notice_delivery d where d.notice_id = n.notice_id and d.account_id = n.account_id),
                '[]') as deliveries
from notice n
where n.account_id = %(account_id)s
  and (%(after)s::bigint is null or n.notice_id < %(after)s)
  and (%(person)s::text is null or n.person = %(person)s)
  and (%(kind)s::text is null or n.kind = %(kind)s)
  and (%(state)s::text is null
       or exists (select from notice_delivery d
                  where d.notice_id = n.notice_id and d.account_id = n.account_id and d.state = %(state)s))
order by n.notice_id desc
limit %(limit)s;

-- name: states how many deliveries there are of each state
select state, count(*) as deliveries from notice_delivery where account_id = %(account_id)s group by state;

-- name: behind what keeps notices from going out, and when the account was last looked at
select behind, behind_since, settled_at, passed_at from notice_account where account_id = %(account_id)s;

-- name: wishes of one person
select p.person_id, p.name as person,
       coalesce(w.standings, '{down,service,start_assist,silent}') as standings, w.quiet_from, w.quiet_to,
       coalesce(w.wake_for_down, false) as wake_for_down,
       case when w.person_id is null then 7 else w.digest_hour end as digest_hour
from person p
left join notice_person w on w.person_id = p.person_id and w.account_id = p.account_id
where p.account_id = %(account_id)s and p.name = %(person)s;

-- name: set_wishes of one person
insert into notice_person (person_id, account_id, standings, quiet_from, quiet_to, wake_for_down, digest_hour)
select p.person_id, p.account_id, %(standings)s, %(quiet_from)s, %(quiet_to)s, %(wake_for_down)s, %(digest_hour)s
from person p where p.account_id = %(account_id)s and p.person_id = %(person_id)s
on conflict (person_id) do update set standings = excluded.standings, quiet_from = excluded.quiet_from,
  quiet_to = excluded.quiet_to, wake_for_down = excluded.wake_for_down, digest_hour = excluded.digest_hour
where notice_person.account_id = %(account_id)s;

-- name: add_target of a person; none where it is there
insert into notice_target (account_id, person_id, url)
select p.account_id, p.person_id, %(url)s from person p
where p.account_id = %(account_id)s and p.person_id = %(person_id)s
on conflict do nothing
returning target_id, added_at;

-- name: count_targets of a person
select count(*) as targets from notice_target where account_id = %(account_id)s and person_id = %(person_id)s;

-- name: targets_of_account by person
select p.name as person, t.target_id, t.url, t.added_at
from notice_target t join person p on p.person_id = t.person_id and p.account_id = t.account_id
where t.account_id = %(account_id)s and (%(person)s::text is null or p.name = %(person)s)
order by p.name, t.target_id;

-- name: remove_target
delete from notice_target where account_id = %(account_id)s and person_id = %(person_id)s and target_id = %(target_id)s
returning target_id;

-- name: trial a message by which a target is tried
insert into notice (account_id, person_id, person, kind, made_at, due_at, closed_at, title, body)
select t.account_id, t.person_id, p.name, 'trial', %(at)s, %(at)s, %(at)s, %(title)s, %(body)s
from notice_target t join person p on p.person_id = t.person_id and p.account_id = t.account_id
where t.account_id = %(account_id)s and t.person_id = %(person_id)s and t.target_id = %(target_id)s
returning notice_id;

-- name: muted whether notices of a unit are off
select standing, muted_at from notice_mute where account_id = %(account_id)s and unit_id = %(unit_id)s;

-- name: mute a unit at the standing that it has
insert into notice_mute (unit_id, account_id, standing, muted_at)
select u.unit_id, u.account_id, coalesce(s.standing, 'learning'), %(at)s
from unit u left join standing s on s.unit_id = u.unit_id and s.account_id = u.account_id
where u.account_id = %(account_id)s and u.unit_id = %(unit_id)s
on conflict (unit_id) do update set standing = excluded.standing, muted_at = excluded.muted_at
where notice_mute.account_id = %(account_id)s;

-- name: unmute a unit
delete from notice_mute where account_id = %(account_id)s and unit_id = %(unit_id)s;
