package pipeline

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"gaussline/mapping/history"
	"gaussline/mapping/implant"
)

// ReviewSender is the sender of reviews: what a person answers is kept as a received message like any other, so
// that reading everything again gives the same record.
const ReviewSender = "review"

// Kinds of answer to an open question.
const (
	ReviewAccept  = "accept"  // the reading on the record stands
	ReviewCorrect = "correct" // it does not: Facts say what is right
	ReviewReject  = "reject"  // it does not, and what is right is not known: the question stays open
)

// setAside is the kind of a review that leaves a message unread: CloseReject makes it.
const setAside = "set-aside"

// Limits of a review.
const (
	minReason      = 3    // characters
	maxReason      = 2000 // bytes
	maxReviewFacts = 50
)

// Review is a person's answer to one open question of a record.
type Review struct {
	Patient  string         `json:"patient"`  // a key of the record
	Question string         `json:"question"` // its ID
	Kind     string         `json:"kind"`
	By       string         `json:"by"`              // name of the person
	Reason   string         `json:"reason"`          //
	Facts    []implant.Fact `json:"facts,omitempty"` // of a correction; Source and Basis are set here
	// Of is the source whose words raised the question, and At when the answer was given; set here.
	Of []implant.Source `json:"of,omitempty"`
	At time.Time        `json:"at,omitzero"`
	// What says which message is set aside: its sender, and what could not be read. Question is its reject.
	What string `json:"what,omitempty"`
}

// ErrReview: the answer is not complete; the text says what is missing and holds no patient data.
var ErrReview = errors.New("review not complete")

// check says what is missing. A correction must say from when it holds: a later source must be able to overtake it.
func (r Review) check() error {
	switch {
	case strings.TrimSpace(r.By) == "":
		return fmt.Errorf("%w: who answers", ErrReview)
	case len(strings.TrimSpace(r.Reason)) < minReason || len(r.Reason) > maxReason:
		return fmt.Errorf("%w: the reason, in %d to %d characters", ErrReview, minReason, maxReason)
	case r.Kind != ReviewAccept && r.Kind != ReviewCorrect && r.Kind != ReviewReject:
		return fmt.Errorf("%w: accept, correct or reject", ErrReview)
	case (r.Kind == ReviewCorrect) != (len(r.Facts) > 0) || len(r.Facts) > maxReviewFacts:
		return fmt.Errorf("%w: a correction says what is right, and nothing else does", ErrReview)
	}
	for _, f := range r.Facts {
		if _, _, ok := f.At.Bounds(); !ok {
			return fmt.Errorf("%w: the date from which the correction holds", ErrReview)
		}
	}
	return nil
}

// statement is what a review says. An accepted or corrected question is closed; a rejected reading leaves it open.
func (r Review) statement(hash string) implant.Statement {
	key := ReviewSender + "|" + r.Question
	if r.Kind == setAside {
		key = markKey(key, r.Patient) // one message may concern several
	}
	st := implant.Statement{Key: key, Type: "Review", Patient: r.Patient,
		Version: implant.Version{LastUpdated: r.At, MessageTime: r.At, Hash: hash}}
	src := func(path string) implant.Source {
		return implant.Source{Key: key, Path: path, Quote: r.By + ": " + r.Reason, By: r.By}
	}
	for i, f := range r.Facts {
		f.Basis, f.Certainty, f.Source = implant.Reviewed, implant.Stated, src(fmt.Sprintf("Review.facts[%d]", i))
		st.Facts = append(st.Facts, f)
	}
	switch r.Kind {
	case ReviewReject:
	case setAside:
		st.Facts = append(st.Facts, implant.Fact{Kind: implant.SetAside, Value: r.What, Basis: implant.Reviewed, Source: src("Review")})
	default:
		st.Facts = append(st.Facts, implant.Fact{Kind: implant.Answer, Value: r.Question, Basis: implant.Reviewed, Source: src("Review")})
	}
	for _, s := range r.Of {
		st.Mentions = append(st.Mentions, s.Key)
	}
	slices.Sort(st.Mentions)
	st.Mentions = slices.Compact(st.Mentions)
	return st
}

// AnswerQuestion keeps a person's answer, folds the record anew and settles the verdicts that follow. ErrNotFound:
// the record has no such open question (any more). ErrReview: something is missing.
func (s *Service) AnswerQuestion(ctx context.Context, r Review) error {
	if err := r.check(); err != nil {
		return err
	}
	err := s.Store.Update(ctx, func(tx Tx) error {
		rec, err := tx.Record(ctx, r.Patient)
		if err != nil {
			return err
		}
		i := slices.IndexFunc(rec.Questions, func(q implant.Question) bool { return q.ID == r.Question })
		if i < 0 {
			return fmt.Errorf("open question: %w", ErrNotFound)
		}
		if err := settledElsewhere(ctx, tx, r, rec.Questions[i]); err != nil {
			return err
		}
		r := r
		r.Of, r.At = rec.Questions[i].Sources, s.Now().UTC().Truncate(time.Microsecond)
		if rec.Questions[i].Code == implant.AskDeviceElsewhere {
			if r.Of, err = ownSources(ctx, tx, rec, r.Of); err != nil {
				return err
			}
		}
		if r.Patient, err = patientOf(ctx, tx, rec, r.Of); err != nil {
			return err
		}
		return s.keepReview(ctx, tx, r)
	})
	s.nudge()
	return err
}

// settledElsewhere refuses to close a question about a message that was not read: nobody has seen what it says. It is
// read again, or closed with a note, as a reject.
func settledElsewhere(ctx context.Context, r Reader, rev Review, q implant.Question) error {
	if rev.Kind == ReviewReject {
		return nil
	}
	rejects, err := r.Rejects(ctx, RejectOpen)
	for _, rej := range rejects {
		if slices.ContainsFunc(q.Sources, func(s implant.Source) bool { return rej.Key != "" && s.Key == rej.Key }) {
			return fmt.Errorf("%w: the message was not read; the operator replays it, or closes it when its sender was asked", ErrReview)
		}
	}
	return err
}

// ownSources leaves out sources that name somebody else: an answer refers to what it is of, and what an answer refers to
// is read into the record.
func ownSources(ctx context.Context, r Reader, rec implant.Record, of []implant.Source) (own []implant.Source, err error) {
	for _, src := range of {
		sts, err := r.ByKey(ctx, []string{src.Key})
		if err != nil {
			return nil, err
		}
		if !slices.ContainsFunc(sts, func(st StoredStatement) bool { return st.Patient != "" && !slices.Contains(rec.Aliases, st.Patient) }) {
			own = append(own, src)
		}
	}
	return own, nil
}

// patientOf gives the patient key that the source of the question names, so that the answer stays with that source
// when records are joined or parted.
func patientOf(ctx context.Context, r Reader, rec implant.Record, of []implant.Source) (string, error) {
	var keys []string
	for _, src := range of {
		keys = append(keys, src.Key)
	}
	sts, err := r.ByKey(ctx, keys)
	for _, st := range sts {
		if slices.Contains(rec.Aliases, st.Patient) {
			return st.Patient, err
		}
	}
	return rec.Patient, err
}

func (s *Service) keepReview(ctx context.Context, tx Tx, r Review) error {
	if err := saveReview(ctx, tx, r); err != nil {
		return err
	}
	return s.refold(ctx, tx, []string{r.Patient})
}

func saveReview(ctx context.Context, tx Tx, r Review) error {
	body, err := json.Marshal(r)
	if err != nil {
		return err
	}
	m := Message{ID: MessageID(ReviewSender, body), Sender: ReviewSender, ContentType: "application/json", Body: body, ReceivedAt: r.At}
	if _, err := tx.SaveMessages(ctx, []Message{m}); err != nil {
		return err
	}
	st, err := readReview(m)
	if err != nil {
		return err
	}
	if err := tx.SaveStatement(ctx, st); err != nil {
		return err
	}
	_, err = tx.Append(ctx, Entry{Kind: "review", Key: r.Question, Body: body, At: r.At})
	return err
}

// readReview reads a kept review.
func readReview(m Message) (StoredStatement, error) {
	var r Review
	if err := json.Unmarshal(m.Body, &r); err != nil {
		return StoredStatement{}, fmt.Errorf("review: %w", err)
	}
	return StoredStatement{Statement: r.statement(hashOf(m.Body)), MessageID: m.ID, Length: len(m.Body), ReceivedAt: m.ReceivedAt}, nil
}

// Asked is an open question with the record it stands on.
type Asked struct {
	Record   implant.Record
	Question implant.Question
	// Rejected says that somebody found the reading wrong without knowing what is right.
	Rejected *Review
}

// OpenQuestions lists open questions, those that keep an MR verdict from being settled first, of records that pass.
// more is true when there are others beyond limit.
func (s *Service) OpenQuestions(ctx context.Context, pass func(implant.Record) bool, limit int) (out []Asked, more bool, err error) {
	err = s.Store.View(ctx, func(r Reader) error {
		kept, err := r.Newest(ctx, "review")
		if err != nil {
			return err
		}
		rejected := map[string]*Review{}
		for _, e := range kept {
			var rev Review
			if err := json.Unmarshal(e.Body, &rev); err != nil {
				return fmt.Errorf("review %d: %w", e.Seq, err)
			}
			if rev.Kind == ReviewReject {
				rejected[rev.Question] = &rev
			}
		}
		return r.Records(ctx, "", func(rec implant.Record) error {
			if len(rec.Questions) == 0 || !pass(rec) {
				return nil
			}
			for _, q := range rec.Questions {
				out = append(out, Asked{Record: rec.AsOf(s.Now()), Question: q, Rejected: rejected[q.ID]})
			}
			return nil
		})
	})
	slices.SortStableFunc(out, func(a, b Asked) int {
		return cmp.Or(boolOrder(a.Question.MR, b.Question.MR), boolOrder(a.Rejected == nil, b.Rejected == nil),
			cmp.Compare(a.Record.Patient, b.Record.Patient), cmp.Compare(a.Question.ID, b.Question.ID))
	})
	if len(out) > limit {
		return out[:limit], true, err
	}
	return out, false, err
}

func boolOrder(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return -1
	}
	return 1
}

// Correction makes the fact of a correction about one part: what became of it, on which side, at which level, from
// when on. Where the part is a Device the fact names it; else its kind, number and place do.
func Correction(p implant.Part, kind implant.FactKind, side implant.Side, level string, at implant.When) implant.Fact {
	f := implant.Fact{Kind: kind, At: at, Component: implant.Component{Ref: p.Component.Ref, Kind: p.Component.Kind},
		Site: implant.Site{Side: side, Level: level}}
	if kind == implant.Removed {
		f.Value = "whole"
	}
	if f.Component.Ref == "" {
		f.Component.Serial, f.Component.Model = p.Component.Serial, p.Component.Model
		if f.Site.Side == "" {
			f.Site.Side = p.Site.Side
		}
		if f.Site.Level == "" {
			f.Site.Level = p.Site.Level
		}
	}
	return f
}

// Order gives the newest readable version of an order and the verdict in force. ErrNotFound when there is none.
func (s *Service) Order(ctx context.Context, order string) (ref implant.Referral, v StoredVerdict, rec implant.Record, err error) {
	err = s.Store.View(ctx, func(r Reader) error {
		if v, err = r.Verdict(ctx, order); err != nil {
			return err
		}
		if rec, err = r.Record(ctx, v.Patient); err != nil {
			return err
		}
		ref, err = referralOf(ctx, r, order)
		return err
	})
	return ref, v, rec.AsOf(s.Now()), err
}

func referralOf(ctx context.Context, r Reader, order string) (implant.Referral, error) {
	stored, err := r.ByKey(ctx, []string{order})
	if err != nil {
		return implant.Referral{}, err
	}
	var sts []implant.Statement
	for _, st := range stored {
		if st.Referral != nil {
			sts = append(sts, st.Statement)
		}
	}
	current, _ := history.Current(sts)
	if len(current) == 0 {
		return implant.Referral{}, ErrNotFound
	}
	return *current[len(current)-1].Referral, nil
}
