-- A history of a year marks hundreds of days of every unit: what the two references cost is a sixth of loading it, and they
-- guard nothing, since the marks are made of rows whose unit was looked up.
alter table dirty_day drop constraint dirty_day_unit_id_fkey, drop constraint dirty_day_account_id_fkey;
