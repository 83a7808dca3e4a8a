-- +goose Up
-- The devices of a record by which another person's may be compared with it (history.DeviceKeys): hashes, with blanks between
-- them. The seal is that of the record that they were kept for. Where it is another, the record was kept before these columns
-- were there or by a node that has none: it is folded again (pipeline.Relist).
alter table records add column devices    text collate "C" not null default '';
alter table records add column devices_of text collate "C" not null default '-';
create index records_unlisted on records (patient) where devices_of <> seal;

-- Who has a device. Only what the record itself still lists counts: a node without device keys leaves rows behind. For that,
-- and since one more index would double what writing a row costs, nothing points to records.
create table record_devices (
  key     text collate "C" not null,
  patient text collate "C" not null,
  primary key (key, patient)
);

-- +goose Down
drop table record_devices;
drop index records_unlisted;
alter table records drop column devices_of;
alter table records drop column devices;
