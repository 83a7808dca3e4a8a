package pages

import (
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"gaussline/adapters/pipeline"
	"gaussline/mapping/implant"
	"gaussline/testdata/cases"
)

// The order of the worklist: a part that is MR Unsafe stands first without a day, and a day that is over does not keep
// an order on top. Common practice, no source; "no day may be any day" is our own cautious reading.
func TestTheGravestVerdictStandsFirst(t *testing.T) {
	now := time.Date(2026, 6, 1, 13, 0, 0, 0, time.UTC)
	order := func(kind, priority, day string, unread bool) row {
		r := row{Stored: pipeline.StoredVerdict{Kind: kind}, New: unread,
			Order: implant.Referral{Priority: priority, Occurrence: implant.When(day), Authored: "2026-05-20"}}
		r.Passed = passed(r.Order.Occurrence, now)
		return r
	}
	want := []row{
		order("a verdict of a later version", "routine", "", false),
		order("mr-unsafe", "routine", "", true),
		order("mr-unsafe", "routine", "2026-06-09", true),
		order("mr-unsafe", "stat", "2020-01-01", true),
		order("mr-unsafe", "stat", "2026-06-02", false),
		order("outside-label", "routine", "", true),
		order("not-established", "asap", "2026-06-20", true),
		order("not-established", "routine", "2026-06-01", true),
		order("not-established", "routine", "2026-05-31", true),
		order("within-label-if", "stat", "2026-06-01T12:00:00Z", true),
		order("within-label-if", "routine", "2026-06-02", true),
		order("within-label-if", "routine", "2026-06-03", true),
		order("nothing-recorded", "stat", "2026-06-01", true),
	}
	random := rand.New(rand.NewPCG(1, 2))
	for range 20 {
		got := slices.Clone(want)
		random.Shuffle(len(got), func(i, j int) { got[i], got[j] = got[j], got[i] })
		slices.SortFunc(got, byUrgency)
		for i := range want {
			if got[i].Stored.Kind != want[i].Stored.Kind || got[i].Order.Priority != want[i].Order.Priority || got[i].Order.Occurrence != want[i].Order.Occurrence {
				t.Fatalf("place %d: %s %+v, want %s %+v", i, got[i].Stored.Kind, got[i].Order, want[i].Stored.Kind, want[i].Order)
			}
		}
	}
}

// A day is over only when it is over in the last time zone (UTC-12).
func TestADayIsOverWhenItIsOverEverywhere(t *testing.T) {
	now := time.Date(2026, 6, 1, 11, 59, 0, 0, time.UTC)
	for day, want := range map[implant.When]bool{"": false, "2026-05-31": false, "2026-05-30": true, "2026-06": false, "2026-05-31T23:59:00Z": false,
		"2026-05-31T23:00:00Z": true, "2025": true} {
		if got := passed(day, now); got != want {
			t.Errorf("%s: passed %v", day, got)
		}
	}
	if !passed("2026-05-31", now.Add(time.Minute)) {
		t.Error("never over")
	}
}

// With more orders than a page holds: the MR Unsafe one without a day stands first, every order is counted, and the
// rest is a page away.
func TestNoOrderFallsOffTheWorklist(t *testing.T) {
	h := newHouse(t)
	h.tell("01-primary-implant", "15-mr-unsafe")
	stories, err := cases.All()
	h.ok(err)
	var rs []pipeline.Reading
	for _, s := range stories {
		for _, m := range s.Messages {
			if s.Name != "01-primary-implant" || !bytes.Contains(m.Body, []byte(`"a-mr"`)) {
				continue
			}
			for i := range maxOrders + 4 {
				body := bytes.ReplaceAll(m.Body, []byte(`"a-mr"`), fmt.Appendf(nil, `"a-mr%d"`, i))
				body = bytes.ReplaceAll(body, []byte(`"2026-06-15"`), []byte(`"2026-05-04"`))
				rs = append(rs, h.service.Reader.Read(pipeline.Message{ID: pipeline.MessageID(m.Sender, body), Sender: m.Sender, Body: body, ReceivedAt: h.now()}))
			}
		}
	}
	h.ok(h.service.Commit(context.Background(), rs))
	v := h.visitor("radiology")
	_, first, _ := v.get("/worklist")
	_, second, _ := v.get(fmt.Sprintf("/worklist?from=%d", maxOrders))
	if n, m := strings.Count(first, `<li class="order">`), strings.Count(second, `<li class="order">`); n != maxOrders || m != 6 {
		t.Fatalf("%d and %d orders on the two pages", n, m)
	}
	if !strings.Contains(first[strings.Index(first, `<li class="order">`):][:1500], "v-mr-unsafe") {
		t.Error("the MR Unsafe order is not the first")
	}
	for _, s := range []string{"<strong>6 further orders are not on this page.</strong>", `/worklist?from=200"`, "<strong>1</strong> MR UNSAFE", "<strong>205</strong> Implant in place",
		"(6 not on this page)", "(date passed)", "day not known: may be any day"} {
		if !strings.Contains(first, s) {
			t.Errorf("the first page lacks %q", s)
		}
	}
	for _, s := range []string{"<strong>200 orders stand before this page.</strong>", "<em>(1 not on this page)</em>", "<em>(199 not on this page)</em>"} {
		if !strings.Contains(second, s) {
			t.Errorf("the second page lacks %q", s)
		}
	}
	for _, odd := range []string{"-3", "x", "9999999", "1e3"} {
		if status, body, _ := v.get("/worklist?from=" + odd); status != 200 || !strings.Contains(body, `<li class="order">`) {
			t.Errorf("from=%s: %d", odd, status)
		}
	}
}

// A line of the worklist names scanners without the sound of a permission, says what is not confirmed, and sends the
// reader to the points, which are not below it.
func TestWordsOfTheWorklist(t *testing.T) {
	h := newHouse(t)
	h.tell("01-primary-implant", "03-leads-capped")
	_, list, _ := h.visitor("radiology").get("/worklist")
	for _, s := range []string{"FIRST; NONE is confirmed.", "Labelled conditions known now are met on North 1, 1.5 T; on no other scanner of the site.", "Labelled conditions are met on: NO scanner of the site.",
		"CONFIRM EVERY POINT of the implant note first; only then"} {
		if !strings.Contains(list, s) {
			t.Errorf("lacks %q", s)
		}
	}
	for _, s := range []string{"Holds for NO", "Can then apply", "EVERY POINT below"} {
		if strings.Contains(list, s) {
			t.Errorf("still says %q", s)
		}
	}
}
