package pipeline

import (
	"context"
	"sync"
	"sync/atomic"

	"gaussline/mapping/history"
	"gaussline/mapping/implant"
)

// foldAll folds the records of the clusters, on several goroutines.
func (s *Service) foldAll(all []cluster) {
	each(min(s.Limits.Decoders, len(all)), len(all), func(i int) { all[i].fold() })
}

// each calls f for 0 to n-1 on some goroutines.
func each(workers, n int, f func(i int)) {
	var next atomic.Int64
	work := func() {
		for i := int(next.Add(1)) - 1; i < n; i = int(next.Add(1)) - 1 {
			f(i)
		}
	}
	if workers < 2 {
		work()
		return
	}
	var wg sync.WaitGroup
	for range workers {
		wg.Go(work)
	}
	wg.Wait()
}

// fold makes the record of a cluster.
func (c *cluster) fold() {
	if len(c.stored) == 0 {
		return
	}
	statements := make([]implant.Statement, len(c.stored))
	for i, st := range c.stored {
		statements[i] = st.Statement
	}
	c.record = history.Fold(history.Input{Patients: c.patients, Statements: statements, Doubts: c.doubts,
		Elsewhere: c.elsewhere, Crowded: c.crowded, On: c.on})
	c.devices = history.DeviceKeys(c.record)
}

// settleAll keeps the records of the clusters and settles the verdicts that follow. Verdicts are worked out on several
// goroutines, for they are much of the work; what they write goes to the store from here, cluster by cluster in the order
// given, so that the outcome is that of one after the other.
func (s *Service) settleAll(ctx context.Context, tx Tx, all []cluster) error {
	workers := min(s.Limits.Decoders, len(all))
	if workers < 2 || shareAnOrder(all) {
		for _, c := range all {
			if err := s.settleOne(ctx, causedBy(tx, c.stored), c); err != nil {
				return err
			}
		}
		return nil
	}
	var mu sync.Mutex // a transaction is one conversation
	settled := make([]later, len(all))
	for i, c := range all {
		settled[i] = later{tx: causedBy(tx, c.stored), mu: &mu, done: make(chan struct{})}
	}
	var next atomic.Int64
	var wg sync.WaitGroup
	defer wg.Wait()
	defer next.Store(int64(len(all))) // when a write has failed, what is left needs no settling
	for range workers {
		wg.Go(func() {
			for i := int(next.Add(1)) - 1; i < len(all); i = int(next.Add(1)) - 1 {
				settled[i].err = s.settleOne(ctx, &settled[i], all[i])
				close(settled[i].done)
			}
		})
	}
	for i := range settled {
		<-settled[i].done
		if err := settled[i].write(); err != nil {
			return err
		}
	}
	return nil
}

// shareAnOrder says whether one order stands in several clusters: then what is decided for the one is read by the
// next.
func shareAnOrder(all []cluster) bool {
	at := map[string]int{}
	for i, c := range all {
		for _, st := range c.stored {
			if st.Type != "ServiceRequest" {
				continue
			}
			if other, ok := at[st.Key]; ok && other != i {
				return true
			}
			at[st.Key] = i
		}
	}
	return false
}

func (s *Service) settleOne(ctx context.Context, tx decider, c cluster) error {
	if len(c.stored) == 0 {
		// Nobody says anything of them (any more): an identifier that joins nobody, or a key that every source
		// which named it has left.
		for _, k := range c.patients {
			if err := tx.DropRecord(ctx, k); err != nil {
				return err
			}
		}
		return nil
	}
	if err := tx.SaveRecord(ctx, c.record); err != nil {
		return err
	}
	return s.settleReferrals(ctx, tx, c.record, c.stored)
}

// decider is what keeping a record and settling its orders needs of a transaction.
type decider interface {
	SaveRecord(ctx context.Context, rec implant.Record) error
	DropRecord(ctx context.Context, patient string) error
	Verdict(ctx context.Context, referral string) (StoredVerdict, error)
	SaveVerdict(ctx context.Context, v StoredVerdict) error
	Queue(ctx context.Context, o Outgoing) error
	statementReader
}

// statementReader finds what an order said, and its bytes.
type statementReader interface {
	ByKey(ctx context.Context, keys []string) ([]StoredStatement, error)
	messageReader
}

type messageReader interface {
	Message(ctx context.Context, id string) (Message, error)
}

// later is a transaction for one of several goroutines: it reads in turn with the others, and keeps what is to be
// written until write is called.
type later struct {
	tx     Tx
	mu     *sync.Mutex // of the transaction
	writes []func() error
	err    error
	done   chan struct{}
}

func (l *later) keep(w func() error) error {
	l.writes = append(l.writes, w)
	return nil
}

// write writes what was kept, unless the settling failed.
func (l *later) write() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.err != nil {
		return l.err
	}
	for _, w := range l.writes {
		if err := w(); err != nil {
			return err
		}
	}
	l.writes = nil
	return nil
}

func (l *later) SaveRecord(ctx context.Context, rec implant.Record) error {
	return l.keep(func() error { return l.tx.SaveRecord(ctx, rec) })
}

func (l *later) DropRecord(ctx context.Context, patient string) error {
	return l.keep(func() error { return l.tx.DropRecord(ctx, patient) })
}

func (l *later) SaveVerdict(ctx context.Context, v StoredVerdict) error {
	return l.keep(func() error { return l.tx.SaveVerdict(ctx, v) })
}

func (l *later) Queue(ctx context.Context, o Outgoing) error {
	return l.keep(func() error { return l.tx.Queue(ctx, o) })
}

func (l *later) Verdict(ctx context.Context, referral string) (StoredVerdict, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.tx.Verdict(ctx, referral)
}

func (l *later) ByKey(ctx context.Context, keys []string) ([]StoredStatement, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.tx.ByKey(ctx, keys)
}

func (l *later) Message(ctx context.Context, id string) (Message, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.tx.Message(ctx, id)
}
