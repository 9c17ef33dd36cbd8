-- What people do about a unit's call: seen, put off, planned; and who they are.

-- name: attention what holds for one unit
select case when %(gravity)s::int >= coalesce(array_position(%(gravest)s::text[], a.acknowledged_standing), 99)
            then a.acknowledged_at end as acknowledged_at,
       case when a.snoozed_until > %(now)s
             and %(gravity)s::int >= coalesce(array_position(%(gravest)s::text[], a.snoozed_standing), 99)
            then a.snoozed_until end as snoozed_until,
       p.day as plan_day, pe.name as plan_person, p.note as plan_note, p.made_at as plan_made_at
from unit u
left join attention a on a.unit_id = u.unit_id and a.account_id = u.account_id
left join plan p on p.unit_id = u.unit_id and p.account_id = u.account_id and p.ended_at is null
left join person pe on pe.person_id = p.person_id and pe.account_id = u.account_id
where u.account_id = %(account_id)s and u.unit_id = %(unit_id)s;

-- name: acknowledge that a unit's standing was seen; null takes it back
insert into attention (unit_id, account_id, acknowledged_at, acknowledged_standing)
select u.unit_id, u.account_id, %(at)s, %(standing)s
from unit u where u.account_id = %(account_id)s and u.unit_id = %(unit_id)s
on conflict (unit_id) do update set acknowledged_at = excluded.acknowledged_at,
  acknowledged_standing = excluded.acknowledged_standing
where attention.account_id = %(account_id)s;

-- name: snooze a unit until an instant; null takes it back
insert into attention (unit_id, account_id, snoozed_at, snoozed_until, snoozed_standing)
select u.unit_id, u.account_id, %(at)s, %(until)s, %(standing)s
from unit u where u.account_id = %(account_id)s and u.unit_id = %(unit_id)s
on conflict (unit_id) do update set snoozed_at = excluded.snoozed_at, snoozed_until = excluded.snoozed_until,
  snoozed_standing = excluded.snoozed_standing
where attention.account_id = %(account_id)s;

-- name: lock_plan one at a time plans for a unit
select pg_advisory_xact_lock(hashtext('plan'), (unit_id %% 2147483648)::int)
from unit where account_id = %(account_id)s and unit_id = %(unit_id)s;

-- name: end_plan the open plan of a unit is done with
update plan set ended_at = %(at)s
where account_id = %(account_id)s and unit_id = %(unit_id)s and ended_at is null;

-- name: fulfil_plan the open plan of a unit is done with by a visit that came after it was made
update plan set ended_at = %(at)s
where account_id = %(account_id)s and unit_id = %(unit_id)s and ended_at is null
  and made_at <= %(at)s::timestamptz + interval '1 day';

-- name: make_plan a visit to a unit by a person on a day
insert into plan (account_id, unit_id, person_id, day, note, made_at)
select u.account_id, u.unit_id, %(person_id)s, %(day)s, %(note)s, %(at)s
from unit u where u.account_id = %(account_id)s and u.unit_id = %(unit_id)s;

-- name: person by name
select person_id, name, role from person where account_id = %(account_id)s and name = %(name)s;

-- name: people with the visits planned for them
select pe.name, pe.role, pe.mail, pe.phone, pe.added_at,
       (select count(*) from plan p where p.account_id = pe.account_id and p.person_id = pe.person_id
          and p.ended_at is null) as planned,
       (select count(*) from notice_target t where t.account_id = pe.account_id and t.person_id = pe.person_id) as targets
from person pe where pe.account_id = %(account_id)s
order by pe.name;

-- name: add_person one more; none where the name is taken
insert into person (account_id, name, role, mail, phone)
values (%(account_id)s, %(name)s, %(role)s, %(mail)s, %(phone)s)
on conflict (account_id, name) do nothing
returning name, role, mail, phone, added_at, 0 as planned, 0 as targets;

-- name: wake whoever watches the call list
select pg_notify('halfsecond_calls', %(account_id)s::text);
