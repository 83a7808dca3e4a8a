-- +goose Up
-- As in 00007, of statements and records.
alter table statements add column seal text not null default '';
alter table records    add column seal text not null default '';

-- +goose Down
alter table records    drop column seal;
alter table statements drop column seal;
