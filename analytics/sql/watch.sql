-- name: accounts
-- Accounts from which anything was ever heard.
select account_id from heard group by account_id order by account_id

-- name: settings
select settings from account where account_id = %(account_id)s
