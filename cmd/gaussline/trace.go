package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/csv"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"time"

	"gaussline/adapters/access"
	"gaussline/adapters/pages"
	"gaussline/adapters/pipeline"
	"gaussline/mapping/banner"
	"gaussline/mapping/codes"
	"gaussline/mapping/implant"
	"gaussline/mapping/trace"
)

// traceArgs is how a trace is asked for.
const traceArgs = "--config FILE --by NAME [--reason TEXT] [--di DI] [--model MODEL] [--lot LOT[..LOT]] [--serial SERIAL[..SERIAL]] [--kind KIND] [--expiry DATE[..DATE]] [--implanted DATE[..DATE]] [--format text|csv|fhir] [--possible N]"

// defaultPossible is how many parts that cannot be excluded are listed unless asked otherwise.
const defaultPossible = 1000

// words collects a flag that may be given several times or with commas.
type words []string

func (w *words) String() string { return strings.Join(*w, ",") }

// Set adds values.
func (w *words) Set(s string) error {
	for _, v := range strings.Split(s, ",") {
		if v = strings.TrimSpace(v); v != "" {
			*w = append(*w, v)
		}
	}
	return nil
}

// traceDevices finds who has, had, or may have what a recall notice names.
func traceDevices(ctx context.Context, p *program, args []string) error {
	fs := p.flags("trace")
	path := fs.String("config", "", "configuration file")
	by := fs.String("by", "", "who asks, for the audit")
	reason := fs.String("reason", "", "why, for the audit: the number of the notice, no patient data")
	format := fs.String("format", "text", "text, csv or fhir")
	possible := fs.Int("possible", defaultPossible, "how many parts that cannot be excluded are listed")
	var dis, models, lots, serials, kinds words
	fs.Var(&dis, "di", "device identifier")
	fs.Var(&models, "model", "model number")
	fs.Var(&lots, "lot", "lot, or a range FROM..TO")
	fs.Var(&serials, "serial", "serial number, or a range FROM..TO")
	fs.Var(&kinds, "kind", "kind of part")
	expiry := fs.String("expiry", "", "expiry, a date or FROM..TO")
	implanted := fs.String("implanted", "", "day of implantation, a date or FROM..TO")
	if err := parse(fs, args); err != nil {
		return err
	}
	q := noticeQuery(dis, models, lots, serials, kinds, *expiry, *implanted)
	if *by == "" {
		return usageError{"--by is needed: every trace is audited"}
	}
	if *format != "text" && *format != "csv" && *format != "fhir" {
		return usageError{"--format: want text, csv or fhir"}
	}
	if err := q.Check(); err != nil {
		return usageError{err.Error()}
	}
	return p.withStore(ctx, *path, func(a *app) error {
		t, err := a.service.Trace(ctx, q, *possible)
		if err != nil {
			return err
		}
		// The words of the query stay out of the audit: a serial number is one person's.
		if err := a.noted(ctx, access.Event{Action: access.Executed, What: "trace", Object: traceID(t), Reason: *reason}, *by); err != nil {
			return err
		}
		switch *format {
		case "csv":
			return p.traceCSV(t)
		case "fhir":
			return p.printJSON(traceBundle(t))
		}
		p.traceText(t)
		return nil
	})
}

func noticeQuery(dis, models, lots, serials, kinds words, expiry, implanted string) trace.Query {
	q := trace.Query{DIs: dis, Models: models, Lots: ranges(lots), Serials: ranges(serials), Expiry: window(expiry), Implanted: window(implanted)}
	for _, k := range kinds {
		q.Kinds = append(q.Kinds, kindNamed(k))
	}
	return q
}

// kindNamed reads a kind as people write it; what is no kind stays as it is, for Query.Check to refuse.
func kindNamed(word string) implant.Kind {
	for _, k := range implant.Kinds() {
		if strings.EqualFold(strings.TrimSpace(word), banner.KindName(k)) {
			return k
		}
	}
	if k, ok := codes.KindNamed(word); ok {
		return k
	}
	return implant.Kind(word)
}

// TraceNotice lists who has, had or may have what a notice names, as CSV or FHIR. A list that would not be whole is refused:
// a file does not show that something is missing.
func (w wordTracer) TraceNotice(ctx context.Context, n pages.Notice) (pages.NoticeList, error) {
	var lists [5]words
	for i, s := range []string{n.DIs, n.Models, n.Lots, n.Serials, n.Kinds} {
		_ = lists[i].Set(s) // takes anything
	}
	q := noticeQuery(lists[0], lists[1], lists[2], lists[3], lists[4], n.Expiry, n.Implanted)
	if err := q.Check(); err != nil {
		return pages.NoticeList{}, fmt.Errorf("%w: %w", pages.ErrNotice, err)
	}
	if n.Format != "csv" && n.Format != "fhir" {
		return pages.NoticeList{}, fmt.Errorf("%w: choose CSV or FHIR", pages.ErrNotice)
	}
	t, err := w.service.Trace(ctx, q, noticePossible)
	if err != nil {
		return pages.NoticeList{}, err
	}
	if t.More {
		return pages.NoticeList{}, fmt.Errorf("%w: more than %d parts cannot be excluded; name the model or device identifier, or use the trace command", pages.ErrNotice, noticePossible)
	}
	list := pages.NoticeList{ID: traceID(t), Name: "trace-" + traceID(t) + ".csv", MediaType: "text/csv; charset=utf-8"}
	var b bytes.Buffer
	if n.Format == "csv" {
		err = writeTraceCSV(&b, t)
	} else {
		list.Name, list.MediaType = "trace-"+list.ID+".json", "application/fhir+json"
		err = json.NewEncoder(&b).Encode(traceBundle(t))
	}
	list.Body = b.Bytes()
	return list, err
}

// noticePossible is how many parts that cannot be excluded a list over HTTP may have.
const noticePossible = 20_000

// ranges reads FROM..TO.
func ranges(list []string) (out []trace.Range) {
	for _, s := range list {
		from, to, _ := strings.Cut(s, "..")
		out = append(out, trace.Range{From: strings.TrimSpace(from), To: strings.TrimSpace(to)})
	}
	return out
}

// window reads DATE or FROM..TO, either of which may be empty; what is no date is found by Query.Check.
func window(s string) trace.Window {
	from, to, isRange := strings.Cut(s, "..")
	w := trace.Window{From: implant.When(strings.TrimSpace(from)), To: implant.When(strings.TrimSpace(to))}
	if !isRange {
		w.To = w.From
	}
	return w
}

// traceID names a trace: the same question has the same name, and one that found something else is another.
func traceID(t pipeline.Traced) string {
	t.At = time.Time{}
	b, _ := json.Marshal(t) // plain values: never fails
	h := sha256.Sum256(b)
	return hex.EncodeToString(h[:8])
}

func (p *program) traceText(t pipeline.Traced) {
	query, _ := json.Marshal(t.Query) // plain values: never fails
	fmt.Fprintf(p.out, "Trace %s of %s, as of %s\n%d parts looked at: %d named, %d not excluded, %d excluded by what is recorded.\n", traceID(t), query,
		implant.Instant(t.At), t.Candidates, len(t.Named), len(t.Possible), t.Excluded)
	if q := t.Query; len(q.DIs)+len(q.Models)+len(q.Kinds) == 0 && len(q.Lots)+len(q.Serials) > 0 {
		fmt.Fprintln(p.out, "No model, identifier or kind is named, so a part of any kind whose lot or serial is not recorded cannot be excluded: name what the notice names.")
	}
	section := func(title string, hits []pipeline.TraceHit) {
		if len(hits) > 0 {
			fmt.Fprintf(p.out, "\n%s\n", title)
		}
		for _, h := range hits {
			c := h.Part.Component
			place := string(h.Place)
			if s := h.Part.State; s == implant.NotConnected || s == implant.Capped || s == implant.Cut {
				place += ", " + string(s)
			}
			fmt.Fprintf(p.out, "  %s  %s %s, DI %s, lot %s, serial %s, implanted %s: %s\n      last heard of from %s, %s\n", h.Patient, orDash(string(c.Kind)), orDash(c.Model),
				orDash(c.DI), orDash(c.Lot), orDash(c.Serial), orDash(string(h.Part.Implanted)), place, orDash(h.Contact), orDash(string(h.Contacted)))
			for _, r := range h.Answer.Reasons() {
				fmt.Fprintf(p.out, "      cannot be excluded: %s\n", r)
			}
			for _, c := range h.Check {
				fmt.Fprintf(p.out, "      - %s\n", c)
			}
		}
	}
	var have, had []pipeline.TraceHit
	for _, h := range t.Named {
		if h.Place == trace.WasThere || h.Place == trace.NeverWent {
			had = append(had, h)
		} else {
			have = append(have, h)
		}
	}
	section("In place, or nothing believable says otherwise", have)
	section("Out of the body, as recorded", had)
	section("Cannot be excluded", t.Possible)
	if t.More {
		fmt.Fprintln(p.out, "  and more that are not listed: name the model, or ask for more with --possible")
	}
	fmt.Fprintln(p.out, "\nThis lists what was sent and read by then. A patient of whom nothing was sent is not in it.")
}

var traceColumns = []string{"class", "patient", "name", "born", "number", "place", "state", "since", "kind", "maker", "model", "di", "udi", "lot", "serial",
	"expiry", "implanted", "removed", "mr_status", "why_not_excluded", "to_check", "last_heard_from", "last_heard_on", "trace", "as_of"}

func (p *program) traceCSV(t pipeline.Traced) error {
	if err := writeTraceCSV(p.out, t); err != nil {
		return err
	}
	if t.More {
		fmt.Fprintln(p.errOut, "more parts cannot be excluded than are listed: name the model, or ask for more with --possible")
		return errHeld
	}
	return nil
}

func writeTraceCSV(out io.Writer, t pipeline.Traced) error {
	w := csv.NewWriter(out)
	_ = w.Write(traceColumns) // the error stays with the writer
	for _, list := range [][]pipeline.TraceHit{t.Named, t.Possible} {
		for _, h := range list {
			part, c := h.Part, h.Part.Component
			row := []string{string(h.Answer.Class), h.Patient, strings.TrimSpace(h.Person.Given + " " + h.Person.Family), string(h.Person.Birth), numberOf(h.Person),
				string(h.Place), string(part.State), string(part.Since), string(c.Kind), c.Maker, c.Model, c.DI, c.UDI, c.Lot, c.Serial, string(c.Expiry),
				string(part.Implanted), string(part.Removed), string(part.Label), strings.Join(h.Answer.Reasons(), "; "), strings.Join(h.Check, " "),
				h.Contact, string(h.Contacted), traceID(t), string(implant.Instant(t.At))}
			for i := range row {
				if strings.IndexAny(row[i], "=+-@\t\r") == 0 { // a spreadsheet would run it
					row[i] = "'" + row[i]
				}
			}
			_ = w.Write(row)
		}
	}
	w.Flush()
	return w.Error()
}

// numberOf is the person's usual number.
func numberOf(p implant.Person) string {
	best := ""
	for _, id := range p.Identifiers {
		if best == "" || id.Use == "usual" || id.Type == "MR" {
			best = id.Value
		}
	}
	return best
}

// wordTracer lets pages trace by one word: a model, device identifier, lot or serial number.
type wordTracer struct{ service *pipeline.Service }

var _ pages.Tracer = wordTracer{}

// Trace gives the parts on which the word is recorded, the sure ones first. What cannot be excluded by one word alone is
// left to the trace command, which can name more.
func (w wordTracer) Trace(ctx context.Context, word string, limit int) (out []pages.Carried, more bool, err error) {
	if trace.Blank(word) {
		return nil, false, nil
	}
	one := []trace.Range{{From: word}}
	seen := map[pages.Carried]bool{}
	for _, q := range []trace.Query{{Models: []string{word}}, {DIs: []string{word}}, {Lots: one}, {Serials: one}} {
		found, err := w.service.Recorded(ctx, q, limit+1)
		if err != nil {
			return nil, false, err
		}
		for _, h := range found {
			if c := (pages.Carried{Patient: h.Patient, Part: h.ID}); !seen[c] {
				seen[c] = true
				out = append(out, c)
			}
		}
	}
	if len(out) > limit {
		return out[:limit], true, nil
	}
	return out, false, nil
}
