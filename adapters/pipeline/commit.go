package pipeline

import (
	"context"
	"errors"
	"slices"
	"strconv"
	"time"

	"gaussline/mapping/history"
	"gaussline/mapping/identity"
	"gaussline/mapping/implant"
)

// maxMentionHops bounds how far references are followed from a patient's statements: a procedure to its device,
// the device to the device it is part of, that to its own parent.
const maxMentionHops = 3

// Commit stores what a batch of messages says in one transaction: received bytes, statements, rejects, the
// records of every patient touched, the verdicts of their open referrals, and what must be sent. Messages that
// are already kept change nothing.
func (s *Service) Commit(ctx context.Context, batch []Reading) (err error) {
	spans, end := s.commitSpans(batch)
	defer func() { end(err != nil) }()
	return s.Store.Update(ctx, func(tx Tx) error {
		touched := map[string]bool{}
		list := make([]Message, len(batch))
		inHand := batchTx{Tx: tx, batch: batch, place: make(map[string]int, len(batch)), spans: spans}
		for i, r := range batch {
			list[i], inHand.place[r.Message.ID] = r.Message, i
		}
		fresh, err := tx.SaveMessages(ctx, list)
		if err != nil {
			return err
		}
		for i, r := range batch {
			if !fresh[i] {
				continue
			}
			if err := s.save(ctx, inHand.following(i), r, touched); err != nil {
				return err
			}
		}
		return s.refoldTouched(ctx, inHand, batch, touched)
	})
}

// commitSpans opens the span of the commit for each message of a batch.
func (s *Service) commitSpans(batch []Reading) (spans []string, end func(failed bool)) {
	spans = make([]string, len(batch))
	ends := make([]func(bool, ...string), len(batch))
	for i, r := range batch {
		spans[i], ends[i] = s.Tracer.Begin(r.span, SpanCommit)
	}
	size := strconv.Itoa(len(batch))
	return spans, func(failed bool) {
		for i, end := range ends {
			end(failed, "message", batch[i].Message.ID, "messages", size)
		}
	}
}

// batchTx answers for the messages in hand without reading back what was just written, and says of what is queued
// from which of them it follows.
type batchTx struct {
	Tx
	batch []Reading
	place map[string]int // message ID → place in batch
	spans []string       // traceparent of each message's commit
	cause string         // the one that what is queued now follows from
}

func (t batchTx) Message(ctx context.Context, id string) (Message, error) {
	if i, ok := t.place[id]; ok {
		return t.batch[i].Message, nil
	}
	return t.Tx.Message(ctx, id)
}

// Queue implements Tx.
func (t batchTx) Queue(ctx context.Context, o Outgoing) error {
	o.Traceparent = t.cause
	return t.Tx.Queue(ctx, o)
}

// following makes what is queued follow from a message of the batch.
func (t batchTx) following(i int) batchTx {
	t.cause = t.spans[i]
	return t
}

// causedBy makes what is queued follow from the last message in hand that brought one of the statements. Outside a
// commit of messages nothing is followed.
func causedBy(tx Tx, stored []StoredStatement) Tx {
	t, ok := tx.(batchTx)
	if !ok {
		return tx
	}
	last := -1
	for _, st := range stored {
		if i, ok := t.place[st.MessageID]; ok {
			last = max(last, i)
		}
	}
	if last < 0 {
		return tx
	}
	return t.following(last)
}

// save writes the statements and rejects of one message and marks the patients they name.
func (s *Service) save(ctx context.Context, tx Tx, r Reading, touched map[string]bool) error {
	for _, st := range r.Statements {
		if saysNothing(st) {
			continue
		}
		if err := tx.SaveStatement(ctx, st); err != nil {
			return err
		}
		switch {
		case st.Patient != "":
			touched[st.Patient] = true
		case st.Type == "Patient":
			touched[st.Key] = true
		}
	}
	for _, rej := range r.Rejects {
		if err := tx.SaveRejected(ctx, rej); err != nil {
			return err
		}
		if err := tx.Queue(ctx, s.refusalNotice(rej)); err != nil {
			return err
		}
	}
	return nil
}

// saysNothing leaves out resources that state no fact by their kind, and here name nothing a record rests on: a
// Practitioner, an Encounter. Their bytes are kept with their message.
func saysNothing(st StoredStatement) bool {
	return !mayBeMentioned(st.Type) && len(st.Facts) == 0 && len(st.Mentions) == 0 && len(st.Findings) == 0 && !st.Void
}

// refoldTouched refolds the patients that the batch names and those whose statements mention what it describes: a
// device may come without a patient, after the procedure that put it in.
func (s *Service) refoldTouched(ctx context.Context, tx Tx, batch []Reading, touched map[string]bool) error {
	var described []string
	for _, r := range batch {
		for _, st := range r.Statements {
			if st.Type == "Device" || st.Type == "BodyStructure" || st.Patient == "" && mayBeMentioned(st.Type) {
				described = append(described, st.Key)
			}
		}
	}
	if len(described) > 0 {
		who, err := tx.Concerned(ctx, described)
		if err != nil {
			return err
		}
		for _, p := range who {
			touched[p] = true
		}
	}
	return s.refold(ctx, tx, sortedKeys(touched))
}

// mayBeMentioned leaves out what thousands of patients share and no record depends on.
func mayBeMentioned(typ string) bool {
	return typ != "Practitioner" && typ != "Organization" && typ != "Encounter"
}

// refold folds the records of the touched patients anew and settles the verdicts that follow.
func (s *Service) refold(ctx context.Context, tx Tx, touched []string) error {
	if len(touched) == 0 {
		return nil
	}
	all, err := s.gather(ctx, tx, touched)
	if err != nil {
		return err
	}
	people := clusters(all)
	s.foldAll(people)
	if people, err = s.acrossPatients(ctx, tx, touched, all, people); err != nil {
		return err
	}
	return s.settleAll(ctx, tx, people)
}

// reachOf gives the patient keys that may be one with the touched ones. An identifier that has become crowded only
// now joined people until now: they are taken in, so that their records come apart.
func reachOf(ctx context.Context, r Reader, touched []string) (reach, crowded []string, err error) {
	for {
		reach, crowded, err = r.Cluster(ctx, touched)
		if err != nil {
			return nil, nil, err
		}
		more := false
		for _, node := range crowded {
			rec, err := r.Record(ctx, node)
			if errors.Is(err, ErrNotFound) {
				continue
			}
			if err != nil {
				return nil, nil, err
			}
			for _, a := range rec.Aliases {
				if _, ok := slices.BinarySearch(reach, a); !ok && a != node {
					touched, more = append(touched, a), true
				}
			}
		}
		if !more {
			return reach, crowded, nil
		}
	}
}

// gather loads all that bears on the touched patients and those who may be one with them. Where a source names another
// patient in another version, that patient is taken in too: what was said of the one may now be said of the other.
func (s *Service) gather(ctx context.Context, r Reader, touched []string) (all gathered, err error) {
	for {
		if all.reach, all.crowded, err = reachOf(ctx, r, touched); err != nil {
			return all, err
		}
		if all.stored, err = s.load(ctx, r, all.reach); err != nil {
			return all, err
		}
		others := namedInOtherVersions(all.reach, all.stored)
		if len(others) == 0 {
			return all, nil
		}
		touched = append(slices.Clone(all.reach), others...)
	}
}

// gathered is all that bears on some patients: who may be one with them, the identifiers that too many share to tell
// anybody apart, and what is said.
type gathered struct {
	reach, crowded []string
	stored         []StoredStatement
}

// namedInOtherVersions lists the patients beyond reach that some version of a source names of which another version
// names one in reach.
func namedInOtherVersions(reach []string, stored []StoredStatement) []string {
	within := func(st StoredStatement) bool {
		_, ok := slices.BinarySearch(reach, st.Patient)
		return ok
	}
	own := map[string]bool{}
	for _, st := range stored {
		if within(st) {
			own[st.Key] = true
		}
	}
	others := map[string]bool{}
	for _, st := range stored {
		if own[st.Key] && st.Patient != "" && !within(st) {
			others[st.Patient] = true
		}
	}
	return sortedKeys(others)
}

// load fetches the statements of the patients in all versions, also those that name another patient or none, and the
// statements that they mention.
func (s *Service) load(ctx context.Context, r Reader, patients []string) ([]StoredStatement, error) {
	stored, err := r.OfPatients(ctx, patients)
	if err != nil {
		return nil, err
	}
	have := map[string]bool{}
	fresh := stored
	for range maxMentionHops {
		for _, st := range fresh {
			have[st.Key] = true
		}
		var want []string
		for _, st := range fresh {
			for _, k := range st.Mentions {
				if !have[k] {
					have[k] = true
					want = append(want, k)
				}
			}
		}
		if len(want) == 0 {
			break
		}
		slices.Sort(want)
		fresh, err = r.ByKey(ctx, want)
		if err != nil {
			return nil, err
		}
		stored = append(stored, fresh...)
	}
	return stored, nil
}

// cluster is one patient with all that is said of them.
type cluster struct {
	patients []string
	stored   []StoredStatement
	doubts   []implant.Question
	// elsewhere and crowded are what other records have of this one's devices, see history.Input.
	elsewhere []history.Held
	crowded   []string
	on        time.Time      // see history.Input
	record    implant.Record // of stored; none where that is empty
	devices   []string       // its device keys
}

// clusters decides which of the reachable patient keys are one and deals the statements out.
func clusters(all gathered) []cluster {
	people, persons := peopleIn(all.reach, all.crowded, all.stored)
	shelf := newShelf(all.stored)
	var out []cluster
	for _, keys := range identity.Clusters(people, identifierPairs(people, all.reach, all.stored)) {
		var members []identity.Person
		for _, k := range keys {
			members = append(members, persons[k]...)
		}
		d := shelf.deal(keys)
		out = append(out, cluster{patients: keys, stored: d.out, doubts: append(doubtsAbout(members), d.doubts...)})
	}
	return out
}

func sortedKeys(m map[string]bool) []string {
	ks := make([]string, 0, len(m))
	for k := range m {
		ks = append(ks, k)
	}
	slices.Sort(ks)
	return ks
}

// unavailable says whether an error is of the kind that passes by itself.
func unavailable(err error) bool {
	return errors.Is(err, ErrBusy) || errors.Is(err, ErrUnavailable) || errors.Is(err, context.Canceled) ||
		errors.Is(err, context.DeadlineExceeded)
}
