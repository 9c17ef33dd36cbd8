-- What the commands account, person, device and token do.

-- name: accounts_by_name (every account: the way in, before there is an account to ask for)
select name, account_id from account

-- name: list_accounts
select account.name as account,
       (select count(*) from unit where unit.account_id = account.account_id) as units,
       (select count(*) from device where device.account_id = account.account_id and removed_at is null) as devices,
       added_at as added
from account
order by account.name

-- name: add_account
insert into account (name) values (%(name)s)
on conflict (name) do nothing
returning account_id

-- name: count_units
select count(*) from unit where account_id = %(account_id)s

-- name: remove_account (one without units; what else belongs to it goes with it)
with
  tokens as (delete from token where account_id = %(account_id)s),
  persons as (delete from person where account_id = %(account_id)s),
  refused as (delete from quarantine where account_id = %(account_id)s),
  minutes as (delete from intake_minute where account_id = %(account_id)s),
  forecasts as (delete from forecast where account_id = %(account_id)s),
  sites as (delete from site where account_id = %(account_id)s)
delete from account where account_id = %(account_id)s

-- name: list_persons
select name as person, role, mail, phone, added_at as added
from person
where account_id = %(account_id)s
order by name

-- name: add_person
insert into person (account_id, name, role, mail, phone)
values (%(account_id)s, %(name)s, %(role)s, %(mail)s, %(phone)s)
on conflict (account_id, name) do nothing
returning person_id

-- name: remove_person
delete from person where account_id = %(account_id)s and name = %(name)s returning person_id

-- name: list_devices
select device.device, unit.unit, unit.site, device_status.online, device_status.firmware,
       device.password_hash is not null as password, device.added_at as added
from device
join unit using (unit_id)
left join device_status using (device)
where device.account_id = %(account_id)s and device.removed_at is null
order by device.device

-- name: list_tokens
select name as token, added_at as added
from token
where account_id = %(account_id)s
order by name

-- name: add_token
insert into token (account_id, name, hash) values (%(account_id)s, %(name)s, %(hash)s)
on conflict (account_id, name) do nothing
returning token_id

-- name: remove_token
delete from token where account_id = %(account_id)s and name = %(name)s returning token_id
