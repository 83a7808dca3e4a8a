-- +goose Up
-- A registry month is closed once, whichever of several nodes does it.
create unique index journal_month_closed on journal (key) where kind = 'month-closed';

-- +goose Down
drop index journal_month_closed;
