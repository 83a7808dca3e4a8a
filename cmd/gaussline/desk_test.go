package main

import (
	"bytes"
	"context"
	"encoding/json"
	"net/url"
	"os"
	"slices"
	"strings"
	"testing"

	"gaussline/adapters/access"
	"gaussline/adapters/pipeline"
)

// A department's system lists the orders of its site, fetches a note in each form, and says who has read it; it sees
// no other site's, and nobody else sees its.
func TestRadiologyDesk(t *testing.T) {
	a := runScenario(t, "", func(_, text string) string { return text })
	token := a.tokens["ris-north"]
	at := a.url
	const mine, theirs = "hillside|ServiceRequest/a-mr", "hillside|ServiceRequest/c-mr" // stories 01 at north, 03 at harbour
	for _, x := range []struct {
		token string
		want  int
	}{{"", 401}, {"wrong", 401}, {a.tokens["hillside"], 403}, {token, 200}} {
		if status, _ := send(t, "GET", at+"/radiology/orders", x.token, ""); status != x.want {
			t.Errorf("list with token %.5q: %d, want %d", x.token, status, x.want)
		}
	}
	type line struct {
		Order, Site, Verdict, ReadBy string
		Revision                     int
		Urgent                       bool
	}
	list := func() map[string]line {
		t.Helper()
		_, body := send(t, "GET", at+"/radiology/orders", token, "")
		var got struct{ Orders []line }
		if err := json.Unmarshal(body, &got); err != nil {
			t.Fatal(err)
		}
		out := map[string]line{}
		for _, o := range got.Orders {
			if o.Site != "north" {
				t.Errorf("an order of %s is listed", o.Site)
			}
			out[o.Order] = o
		}
		return out
	}
	if o := list()[mine]; o.Verdict != "within-label-if" || o.Revision != 1 || o.ReadBy != "" || o.Urgent {
		t.Errorf("%+v", o)
	}
	if _, body := send(t, "GET", at+"/radiology/orders", token, ""); !strings.Contains(string(body), "EVERY POINT of the implant note") || strings.Contains(string(body), "below") {
		t.Error("a list sends its reader to points below it, where none are")
	}
	note := func(order, form string) (int, string) {
		t.Helper()
		status, body := send(t, "GET", at+"/radiology/note?order="+url.QueryEscape(order)+"&as="+form, token, "")
		return status, string(body)
	}
	for form, start := range map[string]string{"text": "IMPLANT IN PLACE: CONFIRM EVERY POINT", "sheet": "<!doctype html>", "v2": "OBX|1|CE|MR-IMPLANT-VERDICT",
		"dicom": `{"00080005":`} {
		if status, body := note(mine, form); status != 200 || !strings.HasPrefix(strings.ToLower(body), strings.ToLower(start)) {
			t.Errorf("%s: %d %.100s", form, status, body)
		}
	}
	for name, x := range map[string]struct {
		order, form string
		want        int
	}{"another site's": {theirs, "text", 404}, "nobody's": {"hillside|ServiceRequest/none", "text", 404}, "no order": {"", "text", 400}, "no form": {mine, "", 400}, "unknown form": {mine, "pdf", 400}} {
		if status, body := note(x.order, x.form); status != x.want || !strings.Contains(body, "OperationOutcome") {
			t.Errorf("%s: %d, want %d: %s", name, status, x.want, body)
		}
	}
	read := func(body string) int {
		t.Helper()
		status, _ := send(t, "POST", at+"/radiology/read", token, body)
		return status
	}
	for body, want := range map[string]int{
		`{"order":"` + mine + `","revision":2,"by":"E. Marsh"}`:             409,
		`{"order":"` + mine + `","revision":1,"by":" "}`:                    400,
		`{"order":"` + mine + `","revision":1,"by":"E. Marsh","safe":true}`: 400,
		`{"order":"` + theirs + `","revision":1,"by":"E. Marsh"}`:           404,
		`{"order":`: 400,
	} {
		if got := read(body); got != want {
			t.Errorf("%s: %d, want %d", body, got, want)
		}
	}
	if list()[mine].ReadBy != "" {
		t.Error("noted, though refused")
	}
	if got := read(`{"order":"` + mine + `","revision":1,"by":"E. Marsh"}`); got != 200 || list()[mine].ReadBy != "E. Marsh" {
		t.Errorf("read: %d, then %+v", got, list()[mine])
	}
	ctx := context.Background()
	err := a.store.View(ctx, func(r pipeline.Reader) error {
		lines, err := r.Entries(ctx, "audit", "", 0, 100)
		seen := map[string]bool{}
		for _, e := range lines {
			var ev access.Event
			if err := json.Unmarshal(e.Body, &ev); err != nil {
				return err
			}
			if ev.Who == "ris-north" && !bytes.Contains(e.Body, []byte("ServiceRequest")) {
				seen[ev.What] = true
				seen["refused"] = seen["refused"] || ev.Refused
			}
		}
		for _, what := range []string{"worklist", "order", "acknowledgement", "refused"} {
			if !seen[what] {
				t.Errorf("not in the audit: %s", what)
			}
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}

// A new edition on disk is taken over by the running service and supersedes what rests on the old one; files that
// cannot be read leave the old ones in force, visibly.
func TestChangedFilesAreTakenOver(t *testing.T) {
	ctx := context.Background()
	a, _ := runningScenario(t, "")
	u := &upkeep{app: a, files: a.filesRead, settled: a.now()}
	sent := func() (out []pipeline.Outgoing) {
		t.Helper()
		if err := a.store.View(ctx, func(r pipeline.Reader) (err error) { out, err = r.Outbox(ctx, ""); return err }); err != nil {
			t.Fatal(err)
		}
		return out
	}
	before, path, old := sent(), a.cfg.MR.Labelling[0], a.known.Load()
	label, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	write := func(b []byte) {
		t.Helper()
		if err := os.WriteFile(path, b, 0o600); err != nil {
			t.Fatal(err)
		}
		u.once(ctx)
	}
	write(label)
	if a.known.Load() != old || len(sent()) != len(before) {
		t.Error("the same file makes a difference")
	}
	write(label[:len(label)/2])
	if a.known.Load() != old || a.unread.Load() != 1 || len(sent()) != len(before) {
		t.Error("a broken file is in force, or nobody is told")
	}
	write(bytes.Replace(label, []byte(`"edition": "4"`), []byte(`"edition": "5"`), 1))
	after := sent()[len(before):]
	if a.unread.Load() != 0 || !slices.ContainsFunc(after, func(o pipeline.Outgoing) bool {
		return bytes.Contains(o.Body, []byte("was edition 4, reviewed 2026-03-02, is edition 5"))
	}) {
		t.Errorf("%d messages, none names the new edition", len(after))
	}
}
