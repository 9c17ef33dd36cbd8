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
