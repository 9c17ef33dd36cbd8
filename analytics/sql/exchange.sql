-- name: last_heard
select max(last_at) from heard where account_id = %(account_id)s

-- name: thin
-- One verdict a unit a day is kept: the newest of the day, or that of the midnight which ends it.
delete from verdict
where account_id = %(account_id)s and as_of > %(day)s and as_of < %(now)s and unit_id in (
  select unit_id from unit where account_id = %(account_id)s and unit = any(%(units)s)
)

-- name: forget_after
-- Verdicts of instants that the data's clock has not reached any more, as when a wrongly dated start was taken out.
delete from verdict where account_id = %(account_id)s and as_of > %(now)s
