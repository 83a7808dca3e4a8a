package postgres

import (
	"context"

	"github.com/jackc/pgx/v5"
)

const (
	// "not in (select ...)" is answered from a hash; "<> all($2)" would go through the list for every row.
	sharersSQL = `with k as (
		select unnest($1::text[]) collate "C" as key union
		select unnest(string_to_array(r.devices, ' ')) from records r where r.patient = any($2))
		select k.key, x.patient from k cross join lateral (
			select d.patient from record_devices d where d.key = k.key and d.patient not in (select unnest($2::text[]))
			and exists (select 1 from records r where r.patient = d.patient and d.key = any(string_to_array(r.devices, ' ')))
			order by d.patient limit $3) x`
	unlistedSQL = `select patient from records where devices_of <> seal and patient > $1 order by patient limit $2`
)

// keysOf gives the keys in a column of records as a table j with the column value.
func keysOf(column string) string { return "unnest(string_to_array(" + column + ", ' ')) j(value)" }

func (r reader) Sharers(ctx context.Context, hand, keys []string, limit int) (map[string][]string, error) {
	out := map[string][]string{}
	err := r.query(ctx, "who has a device too", sharersSQL, func(rows pgx.Rows) error {
		var key, patient string
		err := rows.Scan(&key, &patient)
		out[key] = append(out[key], patient)
		return err
	}, noNil(keys), noNil(hand), limit)
	if err != nil {
		return nil, err
	}
	return out, nil
}

func (r reader) Unlisted(ctx context.Context, after string, limit int) (out []string, err error) {
	err = r.query(ctx, "records without device keys", unlistedSQL, func(rows pgx.Rows) error {
		var n string
		err := rows.Scan(&n)
		out = append(out, n)
		return err
	}, after, limit)
	return out, err
}

// noNil gives an empty list for nil: a null array would match no row.
func noNil(list []string) []string {
	if list == nil {
		return []string{}
	}
	return list
}
