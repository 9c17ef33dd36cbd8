-- Records never received, by device; only devices that miss some are looked into, which a page may ask at every call.
-- Numbers rise by one for every record of a kind; a device that numbers all kinds together is told by its numbers never
-- meeting, and then the reading that leaves fewer missing holds. What a status says was sent beyond the newest is missing
-- too, once ten minutes have passed.
drop view device_gap;
create view device_gap as
with device_newest as (
  select account_id, device, max(upper(received)) - 1 as newest,
    bool_or(received <> int8multirange(range_merge(received))) as has_holes
  from device_seq group by account_id, device
), short as (
  select d.account_id, d.device, d.newest, d.has_holes, s.sent,
    case when s.sent > d.newest and s.received_at < now() - interval '10 minutes' then s.sent - d.newest else 0 end as unsent
  from device_newest d left join device_status s on s.device = d.device and s.account_id = d.account_id
), own as (
  select s.account_id, s.device, k.missing, k.received, k.missing_records, k.received_records
  from short s cross join lateral (
    select range_agg(int8multirange(range_merge(q.received)) - q.received) as missing, range_agg(q.received) as received,
      sum((select sum(upper(r) - lower(r)) from unnest(int8multirange(range_merge(q.received)) - q.received) r))
        as missing_records,
      sum((select sum(upper(r) - lower(r)) from unnest(q.received) r)) as received_records
    from device_seq q where q.device = s.device and q.account_id = s.account_id
  ) k
  where s.has_holes
), told as (
  select o.account_id, o.device, o.missing, o.missing_records, between.missing as missing_of_all, between.records,
    (select sum(upper(r) - lower(r)) from unnest(o.received) r) = o.received_records
      and coalesce(between.records, 0) < o.missing_records as together
  from own o cross join lateral (
    select int8multirange(range_merge(o.received)) - o.received as missing,
      (select sum(upper(r) - lower(r)) from unnest(int8multirange(range_merge(o.received)) - o.received) r) as records
  ) between
)
select s.account_id, s.device, s.newest, s.sent,
  coalesce(case when t.together then t.records else t.missing_records end, 0) + s.unsent as missing,
  coalesce(case when t.together then t.missing_of_all else t.missing end, '{}') as between_received
from short s left join told t on t.account_id = s.account_id and t.device = s.device
where s.has_holes or s.unsent > 0;
