package pages

import (
	"cmp"
	"encoding/json"
	"net/http"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"gaussline/adapters/access"
	"gaussline/adapters/pipeline"
	"gaussline/mapping/banner"
	"gaussline/mapping/mri"
)

// labelled is one document with whether its review is due.
type labelled struct {
	mri.Document
	Days  int // since its review; -1 never reviewed
	Stale bool
}

// overridden is a decision outside a verdict that a reader noted.
type overridden struct {
	pipeline.Acknowledgement
	ID, Site, Kind string
}

// complaint is one about a labelling file, with the file's name.
type complaint struct {
	mri.Complaint
	File string
}

// labelling shows what verdicts rest on: documents, complaints about them, scanners, and decisions noted against a
// verdict, by opaque id.
func (p *pages) labelling(c *call) error {
	k := p.Service.Knowledge()
	limit := k.Policy.ReviewInterval
	if limit <= 0 {
		limit = mri.DefaultReviewInterval
	}
	var docs []labelled
	var complaints []complaint
	for _, l := range k.Labels {
		for _, c := range mri.Lint(l) {
			complaints = append(complaints, complaint{c, filepath.Base(l.File)})
		}
		for _, d := range l.Documents {
			x := labelled{Document: d, Days: -1, Stale: true}
			if from, _, ok := d.Reviewed.Bounds(); ok {
				age := p.Now().Sub(from)
				x.Days, x.Stale = int(age.Hours()/24), age > limit
			}
			docs = append(docs, x)
		}
	}
	noted, err := p.overrides(c)
	if err != nil {
		return err
	}
	return c.show("labelling", http.StatusOK, "Labelling and scanners", map[string]any{"Documents": docs, "Complaints": complaints, "Scanners": k.Scanners,
		"Noted": noted, "ReviewDays": int(limit.Hours() / 24)})
}

func (p *pages) overrides(c *call) (out []overridden, err error) {
	err = p.Service.Store.View(c.ctx(), func(r pipeline.Reader) error {
		acks, err := pipeline.Acknowledgements(c.ctx(), r)
		if err != nil {
			return err
		}
		for order, a := range acks {
			var v mri.Verdict
			if a.Decided == "" {
				continue
			}
			if err := json.Unmarshal(a.Verdict, &v); err != nil {
				return err
			}
			out = append(out, overridden{Acknowledgement: a, ID: p.Seal.ID("order", order)[:12], Site: v.Site, Kind: banner.Headline(v.Kind)})
		}
		return nil
	})
	slices.SortFunc(out, func(a, b overridden) int { return cmp.Or(b.At.Compare(a.At), strings.Compare(a.ID, b.ID)) })
	return out[:min(len(out), maxOps)], err
}

func (p *pages) people(c *call) error { return p.showPeople(c, "", "") }

func (p *pages) showPeople(c *call, link, name string) error {
	all, err := p.Accounts.List(c.ctx())
	if err != nil {
		return err
	}
	return c.show("people", http.StatusOK, "People", map[string]any{"Accounts": all, "Roles": access.PeopleRoles(), "Link": link, "LinkFor": name,
		"Hours": int(access.InviteLasts.Hours())})
}

// changePerson makes, changes or disables an account, or makes a one-time link for it. The link is shown once.
func (p *pages) changePerson(c *call) error {
	f := c.r.PostForm
	person := access.Person{Name: strings.ToLower(strings.TrimSpace(f.Get("name"))), Display: strings.TrimSpace(f.Get("display")),
		Sites: strings.Fields(f.Get("sites")), Senders: strings.Fields(f.Get("senders"))}
	for _, r := range f["role"] {
		person.Roles = append(person.Roles, access.Role(r))
	}
	if err := c.note(access.Event{Action: access.Changed, What: "account", Object: clip(person.Name, 60)}); err != nil {
		return err
	}
	if f.Get("do") != "link" {
		if person.Name == c.person.Name { // nobody locks themselves out, or gives themselves more
			return errNotYou
		}
		if err := p.Accounts.Put(c.ctx(), c.person.Name, person, f.Get("do") == "disable"); err != nil {
			return err
		}
		if f.Get("do") == "disable" {
			return redirect(c, "/people")
		}
	}
	token, err := p.Accounts.Invite(c.ctx(), person.Name)
	if err != nil {
		return err
	}
	return p.showPeople(c, "/welcome/"+token, person.Name)
}

// auditPage is how many lines are shown at once.
const auditPage = 200

type auditLine struct {
	Seq int64
	access.Event
	Hash string
}

func (p *pages) audit(c *call) error {
	after, _ := strconv.ParseInt(c.r.URL.Query().Get("after"), 10, 64)
	if err := c.note(access.Event{Action: access.Seen, What: "audit"}); err != nil {
		return err
	}
	lines, err := p.Audit.Lines(c.ctx(), after, auditPage)
	if err != nil {
		return err
	}
	var out []auditLine
	for _, l := range lines {
		e, err := access.AuditEventOf(l)
		_, hash, err2 := access.AuditHead(l)
		if err := cmp.Or(err, err2); err != nil {
			return err
		}
		out = append(out, auditLine{Seq: l.Seq, Event: e, Hash: hash[:12]})
	}
	next := int64(0)
	if len(lines) == auditPage {
		next = lines[len(lines)-1].Seq
	}
	return c.show("audit", http.StatusOK, "Audit", map[string]any{"Lines": out, "Next": next})
}

// auditLines sends the chain as kept, for verification offline; auditFHIR the same as AuditEvents.
func (p *pages) auditLines(c *call) error {
	return p.sendAudit(c, "application/x-ndjson", access.KeptLine)
}

func (p *pages) auditFHIR(c *call) error {
	return p.sendAudit(c, "application/fhir+ndjson", access.AuditEvent)
}

func (p *pages) sendAudit(c *call, typ string, line func(access.Line) ([]byte, error)) error {
	if err := c.note(access.Event{Action: access.Executed, What: "audit"}); err != nil {
		return err
	}
	c.w.Header().Set("Content-Type", typ)
	c.w.Header().Set("Content-Disposition", `attachment; filename="audit.ndjson"`)
	begun := false
	err := p.Audit.Each(c.ctx(), func(l access.Line) error {
		b, err := line(l)
		if err == nil {
			_, err = c.w.Write(append(b, '\n'))
			begun = true
		}
		return err
	})
	if err != nil && begun { // half a file must not look like a whole one
		panic(http.ErrAbortHandler)
	}
	return err
}
