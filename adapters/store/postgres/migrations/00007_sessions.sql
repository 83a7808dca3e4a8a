-- +goose Up
-- Who is at the pages, for every node.
create table sessions (
  id   text collate "C" not null primary key, -- hash of the browser's token
  body bytea not null,                        -- JSON
  ends text collate "C" not null
);
create index sessions_ends on sessions (ends);

-- +goose Down
drop table sessions;
