-- What a device's records say of its clock while its statuses are off: how many came, and the least receipt less time.
alter table device_clock add column records integer not null default 0, add column least_s double precision;

-- How many records of a device were never received. Numbers rise by one for every record of a kind; a device that numbers
-- all kinds together is told by its numbers never meeting, and then the reading that leaves fewer missing holds. What a
-- status says was sent beyond the newest is missing too, once ten minutes have passed.
create view device_gap as
with kind as (
  select account_id, device, received, int8multirange(range_merge(received)) - received as missing from device_seq
), own as (
  select k.account_id, k.device, range_agg(k.missing) as missing, range_agg(k.received) as received,
    sum((select coalesce(sum(upper(r) - lower(r)), 0) from unnest(k.missing) r)) as missing_records,
    sum((select coalesce(sum(upper(r) - lower(r)), 0) from unnest(k.received) r)) as received_records
  from kind k group by k.account_id, k.device
), counted as (
  select o.*, int8multirange(range_merge(o.received)) - o.received as missing_of_all, upper(o.received) - 1 as newest,
    (select coalesce(sum(upper(r) - lower(r)), 0) from unnest(o.received) r) as numbers
  from own o
), told as (
  select c.*, c.numbers = c.received_records
    and (select coalesce(sum(upper(r) - lower(r)), 0) from unnest(c.missing_of_all) r) < c.missing_records as together
  from counted c
)
select t.account_id, t.device, t.newest, s.sent,
  case when t.together then (select coalesce(sum(upper(r) - lower(r)), 0) from unnest(t.missing_of_all) r)
    else t.missing_records end
  + case when s.sent > t.newest and s.received_at < now() - interval '10 minutes' then s.sent - t.newest else 0 end
  as missing,
  case when t.together then t.missing_of_all else t.missing end as between_received
from told t left join device_status s on s.device = t.device and s.account_id = t.account_id;
