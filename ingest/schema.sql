-- The whole schema as it stands; the migrations lead here, and a test holds the two together.
-- Every row belongs to an account. Every query takes one: tenancy is kept in the query layer, since row-level security
-- and a columnstore do not go together.
-- The two series (start, rest) are daily range partitions on plain PostgreSQL and hypertables where TimescaleDB is offered;
-- the columns and keys are the same on both. A start's outcome is null only where a power log cannot tell it.

create table account (
  account_id bigint generated always as identity primary key,
  name text not null unique,
  settings jsonb not null default '{}',
  added_at timestamptz not null default now()
);

create table site (
  account_id bigint not null references account,
  site text not null,
  zone text not null default 'UTC',
  lat double precision,
  lon double precision,
  primary key (account_id, site)
);

create table unit (
  unit_id bigint generated always as identity primary key,
  account_id bigint not null references account,
  unit text not null,
  site text,
  tons real,
  refrigerant text,
  rla_a real,
  lra_a real,
  volts real,
  run_cap_uf real,
  start_gear text,
  start_cap_uf real,
  metering text,
  compressor text,
  stages smallint,
  model text,
  installed date,
  added_at timestamptz not null default now(),
  unique (account_id, unit),
  foreign key (account_id, site) references site
);

-- A device is the broker's user; it reports for one unit. Of its password only a salted hash is kept, in the form that
-- the broker's password file has.
create table device (
  device text primary key,
  account_id bigint not null references account,
  unit_id bigint not null references unit,
  password_hash text,
  added_at timestamptz not null default now(),
  removed_at timestamptz
);
create index device_unit on device (unit_id);

-- The last status a device gave, and the newest thing heard from it.
create table device_status (
  device text primary key references device on delete cascade,
  account_id bigint not null references account,
  online boolean not null,
  firmware text,
  clock_ok boolean,
  sent bigint,
  received_at timestamptz not null
);

create table start (
  account_id bigint not null,
  unit_id bigint not null,
  at timestamptz not null,
  seq bigint not null,
  outcome text,
  run_up_s real,
  peak_a real,
  run_a real,
  run_w real,
  run_pf real,
  line_v real,
  line_min_v real,
  close_deg real,
  off_s real,
  ran_s real,
  outdoor_c real,
  suction_kpa real,
  liquid_kpa real,
  mode text,
  stage smallint,
  retry smallint,
  extra jsonb,
  received_at timestamptz not null default now(),
  primary key (unit_id, at, seq)
) partition by range (at);

create table rest (
  account_id bigint not null,
  unit_id bigint not null,
  at timestamptz not null,
  seq bigint not null,
  t_s real[] not null,
  suction_kpa real[],
  liquid_kpa real[],
  outdoor_c real,
  extra jsonb,
  received_at timestamptz not null default now(),
  primary key (unit_id, at, seq)
) partition by range (at);

create table event (
  account_id bigint not null,
  unit_id bigint not null,
  at timestamptz not null,
  seq bigint not null,
  event text not null,
  detail text,
  extra jsonb,
  received_at timestamptz not null default now(),
  primary key (unit_id, at, seq)
);

-- The newest start of each unit by device time, kept by intake, so that silence and the clock cost no scan.
create table heard (
  unit_id bigint primary key references unit,
  account_id bigint not null references account,
  last_at timestamptz not null,
  last_received_at timestamptz not null
) with (fillfactor = 50);
create index heard_newest on heard (account_id, last_at desc);

-- What could not be stored, as it came, with the reason; put through again after the cause is mended. The same payload
-- that comes again, be it a redelivery, is counted in `seen` and not kept twice.
create table quarantine (
  quarantine_id bigint generated always as identity primary key,
  account_id bigint references account,
  device text,
  topic text not null,
  payload bytea not null,
  reason text not null,
  detail text not null,
  received_at timestamptz not null default now(),
  seen integer not null default 1,
  tries integer not null default 0,
  released_at timestamptz
);
create unique index quarantine_open on quarantine (topic, sha256(payload)) where released_at is null;

-- What intake did in each minute, by account; no account where the device is unknown. Kept for pages and checks.
create table intake_minute (
  minute timestamptz not null,
  account_id bigint references account,
  received bigint not null default 0,
  stored bigint not null default 0,
  doubles bigint not null default 0,
  quarantined bigint not null default 0,
  lag_s real not null default 0,
  unique nulls not distinct (account_id, minute)
);

create table visit (
  visit_id bigint generated always as identity primary key,
  account_id bigint not null references account,
  unit_id bigint not null references unit,
  at timestamptz not null,
  work text[] not null,
  readings jsonb not null default '{}',
  parts text[] not null default '{}',
  note text,
  added_at timestamptz not null default now(),
  unique (unit_id, at, work)
);

create table forecast (
  account_id bigint not null references account,
  site text not null,
  issued timestamptz not null,
  at timestamptz not null,
  outdoor_c real not null,
  primary key (account_id, site, issued, at),
  foreign key (account_id, site) references site
);

-- Days of a unit whose rows have changed since the watch last looked. The watch takes a day by setting `taken_at` and
-- deletes it when its verdict stands; a change meanwhile clears `taken_at`, and a watch that died leaves the day to be
-- taken again.
create table dirty_day (
  unit_id bigint not null references unit,
  day date not null,
  account_id bigint not null references account,
  marked_at timestamptz not null default now(),
  taken_at timestamptz,
  primary key (unit_id, day)
);

create index dirty_day_waiting on dirty_day (marked_at);

-- The verdict as the API serves it. `body` is the contract's object; the columns beside it are what lists sort and filter by.
create table verdict (
  unit_id bigint not null references unit,
  account_id bigint not null references account,
  as_of timestamptz not null,
  standing text not null,
  rank double precision not null,
  body jsonb not null,
  made_at timestamptz not null default now(),
  primary key (unit_id, as_of)
);

-- The newest verdict of each unit: what the call list reads.
create table standing (
  unit_id bigint primary key references unit,
  account_id bigint not null references account,
  as_of timestamptz not null,
  standing text not null,
  rank double precision not null,
  body jsonb not null
);
create index standing_call on standing (account_id, rank desc, unit_id);

create table person (
  person_id bigint generated always as identity primary key,
  account_id bigint not null references account,
  name text not null,
  role text not null,
  mail text,
  phone text,
  added_at timestamptz not null default now(),
  unique (account_id, name)
);

-- Only the SHA-256 of a token is kept.
create table token (
  token_id bigint generated always as identity primary key,
  account_id bigint not null references account,
  name text not null,
  hash bytea not null unique,
  added_at timestamptz not null default now(),
  unique (account_id, name)
);
