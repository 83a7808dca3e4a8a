-- +goose Up

-- Tracing compares what a notice names with what people copied: without separators, in capitals, without leading zeros.
-- The same folding stands in mapping/trace and, as SQL, in store.FoldSQL.
drop index parts_di;
drop index parts_model;
drop index parts_lot;
drop index parts_serial;
create index parts_di     on parts ((ltrim(upper(replace(replace(replace(replace(replace(replace(di, ' ', ''), '-', ''), '.', ''), '/', ''), '_', ''), '#', '')), '0')), (ltrim(upper(replace(replace(replace(replace(replace(replace(lot, ' ', ''), '-', ''), '.', ''), '/', ''), '_', ''), '#', '')), '0')));
create index parts_model  on parts ((ltrim(upper(replace(replace(replace(replace(replace(replace(model, ' ', ''), '-', ''), '.', ''), '/', ''), '_', ''), '#', '')), '0')), (ltrim(upper(replace(replace(replace(replace(replace(replace(lot, ' ', ''), '-', ''), '.', ''), '/', ''), '_', ''), '#', '')), '0')));
create index parts_lot    on parts ((ltrim(upper(replace(replace(replace(replace(replace(replace(lot, ' ', ''), '-', ''), '.', ''), '/', ''), '_', ''), '#', '')), '0')));
create index parts_serial on parts ((ltrim(upper(replace(replace(replace(replace(replace(replace(serial, ' ', ''), '-', ''), '.', ''), '/', ''), '_', ''), '#', '')), '0')));

-- 1: sources disagree on which device it is, so that nothing recorded excludes it. Rows written before this column
-- was there count as doubtful until their record is folded again.
alter table parts add column doubtful integer not null default 1;
create index parts_doubtful on parts (patient, id) where doubtful = 1;

-- +goose Down
drop index parts_doubtful;
alter table parts drop column doubtful;
drop index parts_di;
drop index parts_model;
drop index parts_lot;
drop index parts_serial;
create index parts_di     on parts (di)     where di <> '';
create index parts_model  on parts (model)  where model <> '';
create index parts_lot    on parts (lot)    where lot <> '';
create index parts_serial on parts (serial) where serial <> '';
