-- Whose rows a request may read. These two find the account; every other statement takes it.

-- name: by_name the account of the settings
select a.account_id, a.name, a.settings, (select max(last_at) from heard h where h.account_id = a.account_id) as heard_at
from account a
where a.name = %(name)s;

-- name: by_token the account of a token, of which only the SHA-256 is kept
select a.account_id, a.name, a.settings, (select max(last_at) from heard h where h.account_id = a.account_id) as heard_at
from token t join account a using (account_id)
where t.hash = %(hash)s;

-- name: ready whether the schema is there
select count(*) >= 0 as ready from (select 1 from standing where account_id = %(account_id)s limit 1) s;

-- name: set some settings of an account; the others stay
update account set settings = settings || %(changed)s where account_id = %(account_id)s;
