-- name: last_heard
select max(last_at) from heard where account_id = %(account_id)s

-- name: first_start
-- The first start of those units that have any; each looks into the key of the table, none through all of it.
select min(first.at)
from heard, lateral (select at from start where start.unit_id = heard.unit_id order by at limit 1) first
where heard.account_id = %(account_id)s

-- name: thin
-- One verdict a unit a day is kept: the newest of the day, or that of the midnight which ends it.
delete from verdict
where account_id = %(account_id)s and as_of > %(day)s and as_of < %(now)s and unit_id in (
  select unit_id from unit where account_id = %(account_id)s and unit = any(%(units)s)
)

-- name: forget_after
-- Verdicts of instants that the data's clock has not reached any more, as when a wrongly dated start was taken out.
delete from verdict where account_id = %(account_id)s and as_of > %(now)s
