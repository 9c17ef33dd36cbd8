-- Which numbers of a device's records have come over the wire, by kind: what lies between them and has not come was
-- never received. A record in quarantine has come.
create table device_seq (
  device text not null references device on delete cascade,
  kind text not null,
  account_id bigint not null references account,
  received int8multirange not null,
  primary key (device, kind)
) with (fillfactor = 50);
create index device_seq_account on device_seq (account_id);

-- How far a device's clock is off. `offsets_s` is, of its last statuses that told the device's time, the receipt less that
-- time; `offset_s` is set once that is certain. `ahead_s` is the largest lead of a record over its receipt, which no delay
-- explains.
create table device_clock (
  device text primary key references device on delete cascade,
  account_id bigint not null references account,
  offsets_s double precision[] not null default '{}',
  received_at timestamptz[] not null default '{}',
  offset_s double precision,
  certain_at timestamptz,
  ahead_s double precision,
  ahead_at timestamptz
);
create index device_clock_account on device_clock (account_id);

-- How many batches of a file a load has stored that was broken off; the row goes when the file is through.
create table load_mark (
  account_id bigint not null references account,
  kind text not null,
  file text not null,
  batches integer not null,
  marked_at timestamptz not null default now(),
  primary key (account_id, kind, file)
);
