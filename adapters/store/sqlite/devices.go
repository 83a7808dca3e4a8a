package sqlite

import (
	"context"
	"database/sql"
	"encoding/json"
	"slices"
)

// keysOf gives the keys in a column of records as a table j with the column value.
func keysOf(column string) string {
	return `json_each(iif(` + column + ` = '', '[]', '["' || replace(` + column + `, ' ', '","') || '"]')) j`
}

var (
	sharersSQL = `with k(key) as (
		select value from json_each(?1) union select j.value from records r, ` + keysOf("r.devices") + `
		where r.patient in (select value from json_each(?2)))
		select key, holders from (select k.key as key, (select json_group_array(patient) from (
			select d.patient from record_devices d where d.key = k.key and d.patient not in (select value from json_each(?2))
			and exists (select 1 from records r where r.patient = d.patient and instr(r.devices, d.key) > 0)
			order by d.patient limit ?3)) as holders from k)
		where holders <> '[]'`
	saveDevicesSQL = `insert into record_devices (key, patient) select value, ?1 from json_each(?2) where true on conflict do nothing`
	// What the record ?3 keeps is ?2.
	dropDevicesSQL = `delete from record_devices where (key, patient) in (
		select j.value, r.patient from records r, ` + keysOf("r.devices") + ` where r.patient in (select value from json_each(?1))
		and not (r.patient = ?3 and j.value in (select value from json_each(?2))))`
	unlistedSQL = `select patient from records where devices_of <> seal and patient > ?1 order by patient limit ?2`
)

func (r reader) Sharers(ctx context.Context, hand, keys []string, limit int) (map[string][]string, error) {
	out := map[string][]string{}
	mine, err := keyList(hand)
	if err != nil {
		return nil, err
	}
	asked, err := keyList(keys)
	if err != nil {
		return nil, err
	}
	err = r.query(ctx, "who has a device too", sharersSQL, func(rows *sql.Rows) error {
		var key, list string
		if err := rows.Scan(&key, &list); err != nil {
			return err
		}
		var holders []string
		err := json.Unmarshal([]byte(list), &holders)
		slices.Sort(holders)
		out[key] = holders
		return err
	}, asked, mine, limit)
	if err != nil {
		return nil, err
	}
	return out, nil
}

// dropDevices drops the device keys of records, which must be there still, but for those that one of them keeps.
func (t *tx) dropDevices(ctx context.Context, patients, keep, keeper string) error {
	_, err := t.exec(ctx, "drop device keys", dropDevicesSQL, patients, keep, keeper)
	return err
}

func (r reader) Unlisted(ctx context.Context, after string, limit int) (out []string, err error) {
	err = r.query(ctx, "records without device keys", unlistedSQL, func(rows *sql.Rows) error {
		var n string
		err := rows.Scan(&n)
		out = append(out, n)
		return err
	}, after, limit)
	return out, err
}
