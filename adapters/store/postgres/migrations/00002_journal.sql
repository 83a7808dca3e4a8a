-- +goose Up

-- What people did, append-only. The newest line of a kind and key is the one in force.
create table journal (
  seq  bigint generated always as identity primary key,
  kind text collate "C" not null,
  key  text collate "C" not null,
  body bytea not null, -- JSON
  at   text collate "C" not null
);
create index journal_key on journal (kind, key, seq);
create index journal_kind on journal (kind, seq);

-- +goose StatementBegin
create function journal_append_only() returns trigger language plpgsql as $$
begin
  raise exception 'the journal is append-only';
end $$;
-- +goose StatementEnd
create trigger journal_append_only before update or delete or truncate on journal
  for each statement execute function journal_append_only();

-- +goose Down
drop table journal;
drop function journal_append_only;
