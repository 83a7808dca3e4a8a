-- +goose Up
-- Who is at the pages: a log-in outlives a restart.
create table sessions (
  id   text not null primary key, -- hash of the browser's token
  body blob not null,             -- JSON
  ends text not null
) strict, without rowid;
create index sessions_ends on sessions (ends);

-- +goose Down
drop table sessions;
