package pages

import (
	"net/http"
	"slices"
	"strings"
	"time"

	"gaussline/adapters/access"
	"gaussline/adapters/pipeline"
	"gaussline/mapping/banner"
	"gaussline/mapping/implant"
)

// maxQuestions are shown in the queue; that there are more is said.
const maxQuestions = 200

// asked is one question in the queue.
type asked struct {
	pipeline.Asked
	ID   string
	Name string
	Text string
}

func (p *pages) reviewQueue(c *call) error {
	qs, more, err := p.Service.OpenQuestions(c.ctx(), c.mine, maxQuestions)
	if err != nil {
		return err
	}
	var out []asked
	for _, q := range qs {
		out = append(out, asked{Asked: q, ID: p.Seal.ID("record", q.Record.Patient), Name: personName(q.Record.Person), Text: banner.QuestionText(q.Question.Code)})
	}
	if err := c.note(access.Event{Action: access.Seen, What: "review queue"}); err != nil {
		return err
	}
	return c.show("queue", http.StatusOK, "Review", map[string]any{"Asked": out, "More": more})
}

// openQuestion gives the record and the question of the address.
func (p *pages) openQuestion(c *call) (rec implant.Record, q implant.Question, err error) {
	rec, err = p.openRecord(c, "question", time.Time{}, time.Time{})
	if err != nil {
		return rec, q, err
	}
	if !c.mine(rec) { // opened with a reason: to look, not to answer
		return rec, q, errNotYou
	}
	i := slices.IndexFunc(rec.Questions, func(q implant.Question) bool { return q.ID == c.r.PathValue("question") })
	if i < 0 {
		return rec, q, pipeline.ErrNotFound
	}
	return rec, rec.Questions[i], nil
}

// passage is a source of a question with its words marked in their text.
type passage struct {
	Source implant.Source
	pipeline.Quoted
}

// changes are what a correction may say of a part, in the words of the trade.
var changes = []struct {
	Kind implant.FactKind
	Text string
}{
	{implant.Reconnected, banner.State(implant.Connected)}, {implant.Disconnected, banner.State(implant.NotConnected)},
	{implant.WasCapped, banner.State(implant.Capped)}, {implant.WasCut, banner.State(implant.Cut)},
	{implant.RemovedPart, banner.State(implant.RemovedInPart)}, {implant.SoughtAbsent, banner.State(implant.SoughtNotFound)},
	{implant.Removed, banner.State(implant.RemovedWhole)},
}

func (p *pages) reviewOne(c *call) error {
	rec, q, err := p.openQuestion(c)
	if err != nil {
		return outsideOr(c, err)
	}
	var quoted []passage
	for _, s := range q.Sources {
		x, err := p.Service.Quote(c.ctx(), s)
		if err != nil {
			return err
		}
		quoted = append(quoted, passage{s, x})
	}
	return c.show("question", http.StatusOK, "Review a question", map[string]any{"ID": c.r.PathValue("id"), "Name": personName(rec.Person),
		"Number": personNumber(rec.Person), "Question": q, "Text": banner.QuestionText(q.Code), "Passages": quoted, "Parts": concerned(rec, q),
		"Changes": changes, "Levels": vertebrae, "Today": p.Now().UTC().Format(time.DateOnly)})
}

// concerned are the parts of the question, or every part of the record where it names none.
func concerned(rec implant.Record, q implant.Question) []implant.Part {
	var out []implant.Part
	for _, p := range rec.Parts {
		if len(q.Parts) == 0 || slices.Contains(q.Parts, p.ID) {
			out = append(out, p)
		}
	}
	return out
}

// answer keeps what a person says about a question, and leads to the next one.
func (p *pages) answer(c *call) error {
	rec, q, err := p.openQuestion(c)
	if err != nil {
		return outsideOr(c, err)
	}
	by := c.person.Display
	if by == "" {
		by = c.person.Name
	}
	rev := pipeline.Review{Patient: rec.Patient, Question: q.ID, Kind: c.r.PostFormValue("kind"), By: by, Reason: strings.TrimSpace(c.r.PostFormValue("reason"))}
	if rev.Kind == pipeline.ReviewCorrect {
		if rev.Facts, err = corrections(c.r, concerned(rec, q)); err != nil {
			return err
		}
	}
	if err := c.note(access.Event{Action: access.Changed, What: "question", Object: c.r.PathValue("id")}); err != nil {
		return err
	}
	if err := p.Service.AnswerQuestion(c.ctx(), rev); err != nil {
		return err
	}
	return redirect(c, "/review")
}

// corrections reads what the form says of each part. A part left as it is says nothing.
func corrections(r *http.Request, parts []implant.Part) (out []implant.Fact, err error) {
	at, err := implant.ParseWhen(r.PostFormValue("at"))
	if err != nil {
		return nil, errBadForm
	}
	for _, p := range parts {
		kind, side, level := r.PostFormValue("state-"+p.ID), implant.Side(r.PostFormValue("side-"+p.ID)), r.PostFormValue("level-"+p.ID)
		if kind == "" && side == "" && level == "" {
			continue
		}
		known := kind == "" || slices.ContainsFunc(changes, func(x struct {
			Kind implant.FactKind
			Text string
		}) bool {
			return string(x.Kind) == kind
		})
		if !known || !slices.Contains([]implant.Side{"", implant.Left, implant.Right, implant.Midline}, side) || level != "" && !slices.Contains(vertebrae, level) {
			return nil, errBadForm
		}
		if kind == "" {
			kind = string(implant.Located)
		}
		out = append(out, pipeline.Correction(p, implant.FactKind(kind), side, level, at))
	}
	return out, nil
}
