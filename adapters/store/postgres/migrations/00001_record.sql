-- +goose Up

-- Text compares by bytes ("C"), as in SQLite: lists are sorted by key, and times are text.

-- What was received, byte for byte.
create table messages (
  row_id       bigint generated always as identity primary key,
  id           text collate "C" not null unique,      -- hex SHA-256 of sender, zero byte, body
  sender       text collate "C" not null,
  content_type text collate "C" not null,
  received_at  text collate "C" not null,             -- UTC, YYYY-MM-DDTHH:MM:SS.ffffffZ; '' is the zero time
  body         bytea not null
);

-- One version of one source with all it says.
create table statements (
  row_id       bigint generated always as identity primary key,
  key          text collate "C" not null,
  version      text collate "C" not null,
  last_updated text collate "C" not null,
  message_time text collate "C" not null,
  hash         text collate "C" not null,
  type         text collate "C" not null,
  patient      text collate "C" not null,             -- '' names none
  person       integer not null,          -- 1 for a Patient resource
  body         bytea not null,             -- JSON
  message_row  bigint not null references messages (row_id),
  start_at     integer not null,          -- bytes of the resource in the message
  len          integer not null,
  received_at  text collate "C" not null,
  unique (key, hash, version, last_updated, message_time)
);
create index statements_patient on statements (patient) where patient <> '';
create index statements_message on statements (message_row);

-- The statement refers to the source key.
create table mentions (
  key           text collate "C" not null,
  statement_row bigint not null references statements (row_id) on delete cascade,
  primary key (key, statement_row)
);
create index mentions_statement on mentions (statement_row);

-- Patient keys and identifiers that the statement, of a Patient, makes hang together; each pair both ways.
create table patient_edges (
  a             text collate "C" not null,
  b             text collate "C" not null,
  statement_row bigint not null references statements (row_id) on delete cascade,
  primary key (a, b, statement_row)
);
create index patient_edges_statement on patient_edges (statement_row);

create table records (
  patient text collate "C" not null primary key,
  body    bytea not null                   -- JSON
);

create table record_aliases (
  alias   text collate "C" not null primary key,
  patient text collate "C" not null references records (patient) on delete cascade
);
create index record_aliases_patient on record_aliases (patient);

-- The parts of every record, for tracing by what a recall notice names.
create table parts (
  patient   text collate "C" not null references records (patient) on delete cascade,
  id        text collate "C" not null,
  kind      text collate "C" not null,
  maker     text collate "C" not null,
  model     text collate "C" not null,
  lot       text collate "C" not null,
  serial    text collate "C" not null,
  di        text collate "C" not null,
  state     text collate "C" not null,
  implanted text collate "C" not null,
  removed   text collate "C" not null,
  expiry    text collate "C" not null,
  primary key (patient, id)
);
create index parts_di     on parts (di)     where di <> '';
create index parts_model  on parts (model)  where model <> '';
create index parts_lot    on parts (lot)    where lot <> '';
create index parts_serial on parts (serial) where serial <> '';

create table verdicts (
  referral text collate "C" not null primary key,
  patient  text collate "C" not null,
  site     text collate "C" not null,
  revision integer not null,
  digest   text collate "C" not null,
  state    text collate "C" not null,
  kind     text collate "C" not null,
  body     bytea not null,                 -- JSON
  decided  text collate "C" not null
);
create index verdicts_state on verdicts (state, site);

create table rejected (
  id          text collate "C" not null primary key,
  message_id  text collate "C" not null,
  sender      text collate "C" not null,
  path        text collate "C" not null,
  key         text collate "C" not null,
  step        text collate "C" not null,
  outcome     bytea not null,              -- OperationOutcome, JSON
  attempts    integer not null,
  rejected_at text collate "C" not null,
  state       text collate "C" not null,
  note        text collate "C" not null
);
create index rejected_state on rejected (state, rejected_at);

-- What must be sent, in the order it was queued: one writer at a time, so numbers are in commit order.
create table outbox (
  seq      bigint generated always as identity primary key,
  id       text collate "C" not null unique,
  ord      text collate "C" not null,
  sink     text collate "C" not null,
  dest     text collate "C" not null,
  body     bytea not null,
  state    text collate "C" not null,
  attempts integer not null,
  next_try text collate "C" not null,
  last_err text collate "C" not null,
  queued   text collate "C" not null
);
create index outbox_waiting       on outbox (seq)      where state = 'waiting';
create index outbox_waiting_order on outbox (ord, seq) where state = 'waiting';
create index outbox_dead          on outbox (seq)      where state = 'dead';

-- +goose Down
drop table outbox;
drop table rejected;
drop table verdicts;
drop table parts;
drop table record_aliases;
drop table records;
drop table patient_edges;
drop table mentions;
drop table statements;
drop table messages;
