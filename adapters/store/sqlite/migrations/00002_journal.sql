-- +goose Up

-- What people did, append-only. The newest line of a kind and key is the one in force.
create table journal (
  seq  integer primary key autoincrement,
  kind text not null,
  key  text not null,
  body blob not null, -- JSON
  at   text not null
) strict;
create index journal_key on journal (kind, key, seq);
create index journal_kind on journal (kind, seq);

-- +goose StatementBegin
create trigger journal_not_changed before update on journal begin
  select raise(abort, 'the journal is append-only');
end;
-- +goose StatementEnd
-- +goose StatementBegin
create trigger journal_not_removed before delete on journal begin
  select raise(abort, 'the journal is append-only');
end;
-- +goose StatementEnd

-- +goose Down
drop table journal;
