-- +goose Up
-- What the figures need of a part: when it was told of, revised, came out and why. '' is not derived: the part was kept
-- before this column was there and its record not folded since; '-' is none: the part never went in.
alter table parts add column life text collate "C" not null default '';

-- +goose Down
alter table parts drop column life;
