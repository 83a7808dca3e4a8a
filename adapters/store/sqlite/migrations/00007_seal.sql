-- +goose Up
-- A hash over what was written of a row, so that the check sees when it is no longer that (store.SealOutgoing,
-- store.SealVerdict). '' is not known: the row was written before this column was there, or by a node that has none.
alter table outbox   add column seal text not null default '';
alter table verdicts add column seal text not null default '';

-- +goose Down
alter table verdicts drop column seal;
alter table outbox   drop column seal;
