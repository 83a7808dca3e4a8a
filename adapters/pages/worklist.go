package pages

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"maps"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"gaussline/adapters/access"
	"gaussline/adapters/pipeline"
	"gaussline/mapping/banner"
	"gaussline/mapping/history"
	"gaussline/mapping/implant"
	"gaussline/mapping/mri"
)

// maxOrders are shown on one page of the worklist; all are counted, and the rest is on further pages.
const maxOrders = 200

// row is one order on the worklist.
type row struct {
	ID        string
	Order     implant.Referral
	Person    implant.Person
	Stored    pipeline.StoredVerdict
	Verdict   mri.Verdict
	Holds     []string // names of the scanners whose conditions known now are met
	Confirm   int
	Read      *pipeline.Acknowledgement
	New       bool   // nobody has read it
	Newer     bool   // read, and changed since
	Reminders int    // of an urgent one that stands unread
	Graver    string // of one that says more than somebody may go by
	Passed    bool   // the planned day is over
	Changes   []string
	Questions int
	Record    implant.Record
	Why       string // the first that forbids or is open
	MoreWhy   int    // how many more do
	InBody    string // what is or may be in the body, in few words
}

// Name is the person's, as a department writes it.
func (r row) Name() string { return personName(r.Person) }

func personName(p implant.Person) string {
	switch {
	case p.Family == "" && p.Given == "":
		return "Name not known"
	case p.Given == "":
		return p.Family
	}
	return p.Family + ", " + p.Given
}

// Number is the person's usual identifier.
func (r row) Number() string { return personNumber(r.Person) }

func personNumber(p implant.Person) string {
	best := ""
	for _, id := range p.Identifiers {
		if best == "" || id.Use == "usual" || id.Type == "MR" {
			best = id.Value
		}
	}
	return best
}

func (p *pages) worklist(c *call) error {
	rows, err := p.rows(c, func(v pipeline.StoredVerdict) bool { return c.person.OfSite(v.Site) })
	if err != nil {
		return err
	}
	for i := range rows {
		rows[i].Passed = passed(rows[i].Order.Occurrence, p.Now())
	}
	slices.SortFunc(rows, byUrgency)
	from, _ := strconv.Atoi(c.r.URL.Query().Get("from")) // no number is the first page
	from = max(min(from, len(rows)-1), 0)
	to := min(from+maxOrders, len(rows))
	sum := summary(rows, from, to)
	if err := c.note(access.Event{Action: access.Seen, What: "worklist"}); err != nil {
		return err
	}
	return c.show("worklist", http.StatusOK, "MR worklist", map[string]any{"Rows": rows[from:to], "Left": len(rows) - to, "Next": to, "From": from, "Sum": sum, "AsOf": p.Now().UTC().Format("2006-01-02 15:04 UTC"), "Sites": c.person.Sites})
}

// rows gathers the orders whose verdict is in force and passes.
func (p *pages) rows(c *call, pass func(pipeline.StoredVerdict) bool) (rows []row, err error) {
	ctx := c.ctx()
	err = p.Service.Store.View(ctx, func(r pipeline.Reader) error {
		all, err := r.Verdicts(ctx, "", pipeline.VerdictInForce)
		if err != nil {
			return err
		}
		all = slices.DeleteFunc(all, func(v pipeline.StoredVerdict) bool { return !pass(v) })
		refs, err := referrals(ctx, r, all)
		if err != nil {
			return err
		}
		acks, err := pipeline.Acknowledgements(ctx, r)
		if err != nil {
			return err
		}
		for _, v := range all {
			x := row{ID: p.Seal.ID("order", v.Referral), Order: refs[v.Referral], Stored: v}
			if a, ok := acks[v.Referral]; ok {
				x.Read = &a
			}
			if err := x.fill(ctx, r, p.Service.Now()); err != nil {
				return err
			}
			if x.New || x.Newer {
				if err := x.alarm(p.Service); err != nil {
					return err
				}
			}
			rows = append(rows, x)
		}
		return nil
	})
	return rows, err
}

// alarm says of a verdict that nobody has read whether it is urgent, of what it is graver, and how often it was sent again.
func (x *row) alarm(s *pipeline.Service) error {
	u, urgent, err := pipeline.NotRead(x.Stored, x.Read, x.Order.Priority)
	if err != nil || !urgent {
		return err
	}
	if x.Reminders = s.Reminders(x.Stored); u.Graver {
		x.Graver = banner.GraverThan(u.Was)
	}
	return nil
}

// referrals gives the newest readable version of each order.
func referrals(ctx context.Context, r pipeline.Reader, vs []pipeline.StoredVerdict) (map[string]implant.Referral, error) {
	var keys []string
	for _, v := range vs {
		keys = append(keys, v.Referral)
	}
	stored, err := r.ByKey(ctx, keys)
	if err != nil {
		return nil, err
	}
	var sts []implant.Statement
	for _, st := range stored {
		if st.Referral != nil {
			sts = append(sts, st.Statement)
		}
	}
	out := map[string]implant.Referral{}
	current, _ := history.Current(sts)
	for _, st := range current {
		out[st.Key] = *st.Referral
	}
	return out, nil
}

// fill adds who it is about, what holds, and what changed since somebody read it.
func (x *row) fill(ctx context.Context, r pipeline.Reader, now time.Time) (err error) {
	if x.Record, err = r.Record(ctx, x.Stored.Patient); err != nil {
		return err
	}
	x.Record = x.Record.AsOf(now)
	x.Person, x.Questions, x.InBody = x.Record.Person, len(x.Record.Questions), inBody(x.Record)
	if err := json.Unmarshal(x.Stored.Body, &x.Verdict); err != nil {
		return err
	}
	if why := banner.Reasons(x.Verdict, x.Record); len(why) > 0 {
		x.Why, x.MoreWhy = why[0], len(why)-1
	}
	for _, s := range x.Verdict.Scanners {
		if s.Truth == mri.Met {
			x.Holds = append(x.Holds, cmp.Or(s.Name, s.ID))
		}
	}
	for _, p := range x.Verdict.Confirm {
		if p.Phase != mri.After {
			x.Confirm++
		}
	}
	switch {
	case x.Read == nil:
		x.New = true
	case !x.Read.Of(x.Stored):
		var before banner.Shown
		if err := json.Unmarshal(x.Read.Verdict, &before); err != nil {
			return err
		}
		x.Newer, x.Changes = true, banner.Changes(before, x.Verdict, x.Record)
	}
	return nil
}

// inBody counts what is or may be in the body by kind and state: "2 leads (1 in place, NOT connected), 1 pulse generator".
func inBody(rec implant.Record) string {
	n, odd := map[string]int{}, map[string]map[string]int{} // by kind; by kind and state
	for _, part := range rec.Parts {
		if !part.State.InBody() {
			continue
		}
		k := strings.ToLower(banner.KindName(part.Component.Kind))
		n[k]++
		if part.State != implant.Connected {
			if odd[k] == nil {
				odd[k] = map[string]int{}
			}
			odd[k][banner.State(part.State)]++
		}
	}
	var out []string
	for _, k := range slices.Sorted(maps.Keys(n)) {
		line := strconv.Itoa(n[k]) + " " + k
		if n[k] > 1 {
			line += "s"
		}
		for _, state := range slices.Sorted(maps.Keys(odd[k])) {
			line += " (" + strconv.Itoa(odd[k][state]) + " " + state + ")"
		}
		out = append(out, line)
	}
	return strings.Join(out, ", ")
}

// orderRow opens the order of the address, if it is of the person's site.
func (p *pages) orderRow(c *call) (row, error) {
	key, err := p.Seal.Key("order", c.r.PathValue("id"))
	if err != nil {
		return row{}, err
	}
	ref, v, _, err := p.Service.Order(c.ctx(), key)
	if err != nil {
		return row{}, err
	}
	if !c.person.OfSite(v.Site) {
		if err := c.note(access.Event{Action: access.Seen, What: "order", Object: c.r.PathValue("id"), Refused: true}); err != nil {
			return row{}, err
		}
		return row{}, errNotYou
	}
	x := row{ID: c.r.PathValue("id"), Order: ref, Stored: v}
	err = p.Service.Store.View(c.ctx(), func(r pipeline.Reader) error {
		as, err := pipeline.Acknowledgements(c.ctx(), r)
		if err != nil {
			return err
		}
		if a, ok := as[key]; ok {
			x.Read = &a
		}
		return x.fill(c.ctx(), r, p.Service.Now())
	})
	return x, err
}

func (p *pages) order(c *call) error {
	x, err := p.orderRow(c)
	if err != nil {
		return err
	}
	if err := c.note(access.Event{Action: access.Seen, What: "order", Object: x.ID}); err != nil {
		return err
	}
	n := banner.Note{Verdict: x.Verdict, Record: x.Record, Revision: x.Stored.Revision, Changes: x.Changes}
	intro, secs := sections(banner.Plain(n))
	changed, why, first, then := arrange(secs)
	return c.show("order", http.StatusOK, "MR order of "+x.Name(), map[string]any{"Row": x, "Intro": intro, "Changed": changed, "Why": why, "First": first,
		"Then": then, "Body": drawBody(x.Record, unsafeParts(x.Verdict), p.zones(x.Record)), "RecordID": p.Seal.ID("record", x.Record.Patient), "Quotes": quotesOf(x.Verdict), "Withdrawn": x.Stored.State != pipeline.VerdictInForce})
}

// zones are those of the labelling as it is now.
func (p *pages) zones(rec implant.Record) []mri.Zone {
	return mri.Zones(rec, p.Service.Knowledge().Labels, p.Now())
}

// sheet is the page of an order to print, tick and sign. Its style stands in it, and only that style is let in.
func (p *pages) sheet(c *call) error {
	x, err := p.orderRow(c)
	if err != nil {
		return err
	}
	if err := c.note(access.Event{Action: access.Seen, What: "sheet", Object: x.ID}); err != nil {
		return err
	}
	page, err := banner.Sheet(banner.Order{Key: x.Stored.Referral, Site: x.Stored.Site, Referral: x.Order},
		banner.Note{Verdict: x.Verdict, Record: x.Record, Revision: x.Stored.Revision, Changes: x.Changes}, x.Stored.State != pipeline.VerdictInForce)
	if err != nil {
		return err
	}
	c.w.Header().Set("Content-Security-Policy", strings.Replace(policy, "style-src 'self'", "style-src '"+styleHash(page)+"'", 1))
	c.w.Header().Set("Content-Type", "text/html; charset=utf-8")
	_, _ = c.w.Write(page) // the reader is gone
	return nil
}

// styleHash names the style in a page for its policy (CSP Level 3, hash-source).
func styleHash(page []byte) string {
	_, rest, _ := bytes.Cut(page, []byte("<style>"))
	style, _, _ := bytes.Cut(rest, []byte("</style>"))
	h := sha256.Sum256(style)
	return "sha256-" + base64.StdEncoding.EncodeToString(h[:])
}

func unsafeParts(v mri.Verdict) map[string]bool {
	out := map[string]bool{}
	for _, r := range v.Reasons {
		if r.Code == mri.WhyUnsafe {
			out[r.Part] = true
		}
	}
	return out
}

// arrange puts what must be done before the scan ahead of the drawing, and the rest behind it. The drawing lists the
// parts, so those sections are left out; a section with another title is never left out.
func arrange(secs []section) (changed, why *section, first, then []section) {
	for _, s := range secs {
		switch s.Title {
		case "Changed":
			changed = &s
		case "Why":
			why = &s
		case "In the body, as recorded", "Out of the body, as recorded":
		case "Open questions on this record", "Labelling relied on", "Cautions":
			then = append(then, s)
		default:
			first = append(first, s)
		}
	}
	return changed, why, first, then
}

// quotesOf lists the quoted words that the reasons of a verdict rest on, each once.
func quotesOf(v mri.Verdict) (out []implant.Source) {
	for _, r := range v.Reasons {
		for _, e := range r.Evidence {
			if e.Quote != "" && !slices.Contains(out, e) {
				out = append(out, e)
			}
		}
	}
	return out
}

// acknowledge keeps that somebody read the verdict that stood on the page. When it changed meanwhile nothing is kept.
func (p *pages) acknowledge(c *call) error {
	x, err := p.orderRow(c)
	if err != nil {
		return err
	}
	if c.r.PostFormValue("digest") != x.Stored.Digest {
		return c.superseded()
	}
	decided := c.r.PostFormValue("decided")
	if len(decided) > 500 {
		return errBadForm
	}
	if err := c.note(access.Event{Action: access.Created, What: "acknowledgement", Object: x.ID}); err != nil {
		return err
	}
	err = p.Service.Acknowledge(c.ctx(), x.Stored.Referral, func(v pipeline.StoredVerdict) bool { return v.Digest == x.Stored.Digest },
		pipeline.Acknowledgement{By: c.person.Name, Display: c.person.Display, At: p.Now().UTC(), Decided: decided})
	if errors.Is(err, pipeline.ErrSuperseded) {
		return c.superseded()
	}
	if err != nil {
		return err
	}
	return redirect(c, "/worklist")
}

// superseded says that another verdict stands than the one on the page that was read.
func (c *call) superseded() error {
	c.showError(http.StatusConflict, "The verdict changed while you read", "Nothing was noted. Open the order again: what changed stands at the top.")
	return nil
}
