-- The list of an account's devices by name.
create index device_of_account on device (account_id, device) where removed_at is null;
