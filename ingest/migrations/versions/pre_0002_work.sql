-- What the call list sorts, filters and counts by, as columns; and what people do about a call.

alter table site add column area text;

create function likeliest_cause(body jsonb) returns text language sql immutable parallel safe as $$
  select told.key
  from jsonb_each_text(case when jsonb_typeof(body -> 'causes') = 'object' then body -> 'causes' else '{}' end) told
  where told.value is not null
  order by told.value::float8 desc, told.key
  limit 1
$$;
alter table standing
  add column cause text generated always as (likeliest_cause(body)) stored,
  add column drift double precision generated always as ((body #>> '{run_up,drift}')::double precision) stored,
  add column lockout_7d double precision generated always as ((body ->> 'lockout_7d')::double precision) stored;
create index standing_count on standing (account_id, standing, cause);

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

alter table visit add column key text, add column person_id bigint references person on delete set null;
create unique index visit_key on visit (account_id, key);

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
