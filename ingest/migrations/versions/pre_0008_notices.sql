-- Notices: who is told of what and when, what was told because of what, and how far each message has come.

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
