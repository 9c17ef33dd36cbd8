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
  area text,
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
create index device_of_account on device (account_id, device) where removed_at is null;

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
  key text,
  person_id bigint references person on delete set null,
  unique (unit_id, at, work)
);
-- What a phone sends again after the signal was lost carries the same key and is stored once.
create unique index visit_key on visit (account_id, key);

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
-- taken again. No references: they cost a sixth of loading a history.
create table dirty_day (
  unit_id bigint not null,
  day date not null,
  account_id bigint not null,
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

-- The newest verdict of each unit: what the call list reads. The most likely cause (`none` where none stands out, null
-- while the unit is learning), drift and outlook stand as columns, so that no list or count reads into the JSON.
create function likeliest_cause(body jsonb) returns text language sql immutable parallel safe as $$
  select told.key
  from jsonb_each_text(case when jsonb_typeof(body -> 'causes') = 'object' then body -> 'causes' else '{}' end) told
  where told.value is not null
  order by told.value::float8 desc, told.key
  limit 1
$$;
create table standing (
  unit_id bigint primary key references unit,
  account_id bigint not null references account,
  as_of timestamptz not null,
  standing text not null,
  rank double precision not null,
  body jsonb not null,
  cause text generated always as (likeliest_cause(body)) stored,
  drift double precision generated always as ((body #>> '{run_up,drift}')::double precision) stored,
  lockout_7d double precision generated always as ((body ->> 'lockout_7d')::double precision) stored
);
create index standing_call on standing (account_id, rank desc, unit_id);
create index standing_count on standing (account_id, standing, cause);

-- What the office did about a unit's call. Either lapses when the standing becomes another one than it was then, so that
-- nothing which gets worse stays out of sight.
create table attention (
  unit_id bigint primary key references unit,
  account_id bigint not null references account,
  acknowledged_at timestamptz,
  acknowledged_standing text,
  snoozed_at timestamptz,
  snoozed_until timestamptz,
  snoozed_standing text,
  note text
);
create index attention_of_account on attention (account_id);

-- A visit that is planned: for a day on the site's calendar, by a person; one open plan a unit, ended by the visit.
create table plan (
  plan_id bigint generated always as identity primary key,
  account_id bigint not null references account,
  unit_id bigint not null references unit,
  person_id bigint references person on delete set null,
  day date not null,
  note text,
  made_at timestamptz not null default now(),
  ended_at timestamptz
);
create unique index plan_open on plan (unit_id) where ended_at is null;
create index plan_of_account on plan (account_id) where ended_at is null;

-- Pictures of rating plates, as a browser may show them; small ones only.
create table photo (
  photo_id bigint generated always as identity primary key,
  account_id bigint not null references account,
  unit_id bigint not null references unit,
  key text not null,
  media_type text not null,
  picture bytea not null,
  added_at timestamptz not null default now(),
  unique (account_id, key)
);
create index photo_of_unit on photo (unit_id, added_at desc);

-- Only the SHA-256 of a token is kept.
create table token (
  token_id bigint generated always as identity primary key,
  account_id bigint not null references account,
  name text not null,
  hash bytea not null unique,
  added_at timestamptz not null default now(),
  unique (account_id, name)
);

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
-- explains. While the statuses are off, `records` counts what came and `least_s` is the least receipt less time of it.
create table device_clock (
  device text primary key references device on delete cascade,
  account_id bigint not null references account,
  offsets_s double precision[] not null default '{}',
  received_at timestamptz[] not null default '{}',
  offset_s double precision,
  certain_at timestamptz,
  ahead_s double precision,
  ahead_at timestamptz,
  records integer not null default 0,
  least_s double precision
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

-- A few sampled starts of each unit, one for each reason to keep one: the last that ran, the last that locked, the first
-- after the newest visit and the last that ran before it. The samples are packed by `ingest.store.waves`; what the starts
-- came to stands in `start` under the same key.
create table wave (
  account_id bigint not null references account,
  unit_id bigint not null references unit,
  kept text not null,
  at timestamptz not null,
  seq bigint not null,
  rate_hz double precision not null,
  hz smallint not null,
  energised_s double precision,
  current_a double precision not null,
  current bytea not null,
  voltage_v double precision,
  voltage bytea,
  primary key (unit_id, kept)
);
create index wave_at on wave (at);

-- Records never received, by device; only devices that miss some are looked into, which a page may ask at every call.
-- Numbers rise by one for every record of a kind; a device that numbers all kinds together is told by its numbers never
-- meeting, and then the reading that leaves fewer missing holds. What a status says was sent beyond the newest is missing
-- too, once ten minutes have passed.
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

-- How a person wants to be told; without a row, what the defaults here say. Quiet hours are by the clock on the wall, and
-- null where the account's hold; the same time twice means none.
create table notice_person (
  person_id bigint primary key references person on delete cascade,
  account_id bigint not null references account on delete cascade,
  standings text[] not null default '{down,service,start_assist,silent}',
  quiet_from time,
  quiet_to time,
  wake_for_down boolean not null default false,
  digest_hour smallint default 7
);

-- Where a person is told: an address that carries its own secrets, and so is shown by its last characters only.
create table notice_target (
  target_id bigint generated always as identity primary key,
  account_id bigint not null references account on delete cascade,
  person_id bigint not null references person on delete cascade,
  url text not null,
  added_at timestamptz not null default now(),
  unique (person_id, url)
);
create index notice_target_account on notice_target (account_id);

-- What notices remember of a unit: the standing they last saw, the gravest that was told and still counts, and since when
-- the unit has stood better than that.
create table notice_unit (
  unit_id bigint primary key references unit,
  account_id bigint not null references account,
  standing text not null,
  told text not null,
  better_since timestamptz
) with (fillfactor = 50);
create index notice_unit_account on notice_unit (account_id);

-- A unit of which nothing is told until it stands worse than it did then, or a visit was made.
create table notice_mute (
  unit_id bigint primary key references unit,
  account_id bigint not null references account,
  standing text not null,
  muted_at timestamptz not null
);
create index notice_mute_account on notice_mute (account_id);

-- Whether our own intake and watch are fit to be believed, by account, and from when on changes and silence are told again.
create table notice_account (
  account_id bigint primary key references account on delete cascade,
  behind text,
  behind_since timestamptz,
  settled_at timestamptz not null,
  silence_at timestamptz not null,
  passed_at timestamptz not null default now()
);

-- One message to one person: of changes at one site for one cause, a digest of a day, or a trial. `triggers` are the units with
-- their standings before and after and the instants of the verdicts. It gathers until it is closed, when its text is made.
create table notice (
  notice_id bigint generated always as identity primary key,
  account_id bigint not null references account on delete cascade,
  person_id bigint references person on delete set null,
  person text not null,
  kind text not null,
  site text,
  cause text,
  standing text,
  units integer not null default 0,
  triggers jsonb not null default '[]',
  day date,
  made_at timestamptz not null,
  due_at timestamptz not null,
  closed_at timestamptz,
  title text,
  body text
);
create unique index notice_open on notice (person_id, site, cause) nulls not distinct
  where kind = 'change' and closed_at is null;
create unique index notice_digest on notice (person_id, day) where kind = 'digest';
create index notice_of_account on notice (account_id, notice_id desc);
create index notice_closed on notice (account_id, closed_at) where kind = 'change';

-- How far a message has come on its way to one target. It is `sending` before it goes out and `sent` after: a program that is
-- killed between the two sends it once more, and never loses it.
create table notice_delivery (
  delivery_id bigint generated always as identity primary key,
  account_id bigint not null references account on delete cascade,
  notice_id bigint not null references notice on delete cascade,
  target_id bigint references notice_target on delete set null,
  target text not null,
  state text not null default 'waiting',
  tries integer not null default 0,
  error text,
  changed_at timestamptz not null default now(),
  queued_at timestamptz
);
create index notice_delivery_notice on notice_delivery (notice_id);
create index notice_delivery_unqueued on notice_delivery (account_id) where queued_at is null;
create index notice_delivery_state on notice_delivery (account_id, state);
