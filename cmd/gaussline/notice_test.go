package main

import (
	"context"
	"encoding/json"
	"errors"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"

	"gaussline/adapters/pages"
	"gaussline/adapters/pipeline"
	"gaussline/adapters/store/sqlite"
	"gaussline/mapping/implant"
)

// The form of a notice takes what the trace command takes, and gives the same rows; what cannot be traced is said to the
// person, and is no failure of the service.
func TestNoticeForm(t *testing.T) {
	ctx := context.Background()
	s, err := sqlite.Open(ctx, t.TempDir(), sqlite.Options{}, zap.NewNop())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	part := func(id, lot string) implant.Part {
		return implant.Part{ID: id, State: implant.Connected, Implanted: "2026-01-02", Component: implant.Component{Kind: implant.Lead, Model: "TB-L45", Lot: lot}}
	}
	rec := implant.Record{Patient: "hillside|Patient/1", Person: implant.Person{Family: "Testperson"}, Parts: []implant.Part{part("a", "L0100"), part("b", ""), part("c", "L0200")}}
	if err := s.Update(ctx, func(tx pipeline.Tx) error { return tx.SaveRecord(ctx, rec) }); err != nil {
		t.Fatal(err)
	}
	w := wordTracer{&pipeline.Service{Store: s, Now: func() time.Time { return demoDay }}}
	n := pages.Notice{Models: "TB-L45, TB-L60", Lots: "L0098..L0112", Kinds: "Leads", Implanted: "2026-01-01..2026-02-01", Format: "csv"}
	list, err := w.TraceNotice(ctx, n)
	if lines := strings.Split(strings.TrimSpace(string(list.Body)), "\n"); err != nil || len(lines) != 3 || !strings.HasPrefix(lines[1], "named,") || !strings.HasPrefix(lines[2], "possible,") || strings.Contains(string(list.Body), "L0200") {
		t.Errorf("%v\n%s", err, list.Body)
	}
	n.Format = "fhir"
	var bundle struct {
		ResourceType string
		Entry        []any
	}
	if list, err = w.TraceNotice(ctx, n); err != nil || json.Unmarshal(list.Body, &bundle) != nil || bundle.ResourceType != "Bundle" || len(bundle.Entry) != 4 {
		t.Errorf("%v\n%s", err, list.Body)
	}
	for _, bad := range []pages.Notice{{Format: "csv"}, {Lots: "L1..L2", Format: "csv"}, {Models: "TB-L45"}, {Models: "TB-L45", Expiry: "soon", Format: "csv"}, {Models: "TB-L45", Kinds: "leed", Format: "csv"}} {
		if _, err := w.TraceNotice(ctx, bad); !errors.Is(err, pages.ErrNotice) {
			t.Errorf("%+v: %v", bad, err)
		}
	}
}
