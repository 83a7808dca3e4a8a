-- +goose Up
-- As in 00006, of statements and records.
alter table statements add column seal text collate "C" not null default '';
alter table records    add column seal text collate "C" not null default '';

-- A node without seals that replaces a record leaves the seal of the one before: then nothing is known.
-- +goose StatementBegin
create function records_unsealed() returns trigger language plpgsql as $$
begin
  new.seal := '';
  return new;
end $$;
-- +goose StatementEnd
create trigger records_unsealed before update of body on records for each row
  when (new.seal = old.seal and new.body <> old.body) execute function records_unsealed();

-- +goose Down
drop trigger records_unsealed on records;
drop function records_unsealed;
alter table records    drop column seal;
alter table statements drop column seal;
