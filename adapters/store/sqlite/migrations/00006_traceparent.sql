-- +goose Up
-- The span of the commit that queued a message, as a W3C traceparent; '' not traced.
alter table outbox add column traceparent text not null default '';

-- +goose Down
alter table outbox drop column traceparent;
