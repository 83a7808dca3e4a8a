-- +goose Up

-- What was received, byte for byte.
create table messages (
  row_id       integer primary key,
  id           text not null unique,      -- hex SHA-256 of sender, zero byte, body
  sender       text not null,
  content_type text not null,
  received_at  text not null,             -- UTC, YYYY-MM-DDTHH:MM:SS.ffffffZ; '' is the zero time
  body         blob not null
) strict;

-- One version of one source with all it says.
create table statements (
  row_id       integer primary key,
  key          text not null,
  version      text not null,
  last_updated text not null,
  message_time text not null,
  hash         text not null,
  type         text not null,
  patient      text not null,             -- '' names none
  person       integer not null,          -- 1 for a Patient resource
  body         blob not null,             -- JSON
  message_row  integer not null references messages (row_id),
  start_at     integer not null,          -- bytes of the resource in the message
  len          integer not null,
  received_at  text not null,
  unique (key, hash, version, last_updated, message_time)
) strict;
create index statements_patient on statements (patient) where patient <> '';
create index statements_message on statements (message_row);

-- The statement refers to the source key.
create table mentions (
  key           text not null,
  statement_row integer not null references statements (row_id) on delete cascade,
  primary key (key, statement_row)
) strict, without rowid;
create index mentions_statement on mentions (statement_row);

-- Patient keys and identifiers that the statement, of a Patient, makes hang together; each pair both ways.
create table patient_edges (
  a             text not null,
  b             text not null,
  statement_row integer not null references statements (row_id) on delete cascade,
  primary key (a, b, statement_row)
) strict, without rowid;
create index patient_edges_statement on patient_edges (statement_row);

create table records (
  patient text not null primary key,
  body    blob not null                   -- JSON
) strict;

create table record_aliases (
  alias   text not null primary key,
  patient text not null references records (patient) on delete cascade
) strict, without rowid;
create index record_aliases_patient on record_aliases (patient);

-- The parts of every record, for tracing by what a recall notice names.
create table parts (
  patient   text not null references records (patient) on delete cascade,
  id        text not null,
  kind      text not null,
  maker     text not null,
  model     text not null,
  lot       text not null,
  serial    text not null,
  di        text not null,
  state     text not null,
  implanted text not null,
  removed   text not null,
  expiry    text not null,
  primary key (patient, id)
) strict, without rowid;
create index parts_di     on parts (di)     where di <> '';
create index parts_model  on parts (model)  where model <> '';
create index parts_lot    on parts (lot)    where lot <> '';
create index parts_serial on parts (serial) where serial <> '';

create table verdicts (
  referral text not null primary key,
  patient  text not null,
  site     text not null,
  revision integer not null,
  digest   text not null,
  state    text not null,
  kind     text not null,
  body     blob not null,                 -- JSON
  decided  text not null
) strict;
create index verdicts_state on verdicts (state, site);

create table rejected (
  id          text not null primary key,
  message_id  text not null,
  sender      text not null,
  path        text not null,
  key         text not null,
  step        text not null,
  outcome     blob not null,              -- OperationOutcome, JSON
  attempts    integer not null,
  rejected_at text not null,
  state       text not null,
  note        text not null
) strict;
create index rejected_state on rejected (state, rejected_at);

-- What must be sent, in the order it was queued. AUTOINCREMENT: a number is never given twice.
create table outbox (
  seq      integer primary key autoincrement,
  id       text not null unique,
  ord      text not null,
  sink     text not null,
  dest     text not null,
  body     blob not null,
  state    text not null,
  attempts integer not null,
  next_try text not null,
  last_err text not null,
  queued   text not null
) strict;
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
