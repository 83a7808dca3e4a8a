package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"gaussline/adapters/fhirjson"
	"gaussline/adapters/files"
	"gaussline/adapters/pipeline"
)

// importSenders is how many files are put into the inbox at once: concurrent senders share one disk sync.
const importSenders = 64

// importFiles reads a history into the record: folders, JSON and NDJSON files. What cannot be read is kept as
// rejected, like a message that came over the wire.
func importFiles(ctx context.Context, p *program, args []string) (err error) {
	fs := p.flags("import")
	path := fs.String("config", "", "configuration file")
	sender := fs.String("sender", "", "in whose name; one of senders in the configuration")
	if err := parse(fs, args); err != nil {
		return err
	}
	cfg, err := loadConfig(*path, p.env)
	if err != nil {
		return err
	}
	if *sender == "" && len(cfg.Senders) == 1 {
		*sender = cfg.Senders[0].Name
	}
	switch {
	case fs.NArg() == 0:
		return usageError{"at least one path is needed"}
	case *sender == "":
		return usageError{fmt.Sprintf("--sender is needed: the configuration has %d senders", len(cfg.Senders))}
	case !slices.ContainsFunc(cfg.Senders, func(s senderConfig) bool { return s.Name == *sender }):
		return usageError{fmt.Sprintf("--sender %q is not one of senders in the configuration", *sender)}
	}
	log, err := p.quiet()
	if err != nil {
		return err
	}
	a, err := openApp(ctx, cfg, log, time.Now, true)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, a.close(context.WithoutCancel(ctx))) }()
	n, bad, err := p.putAll(ctx, a, *sender, fs.Args())
	if err != nil {
		return err
	}
	rejected, parts, err := p.nameRejected(ctx, a, *sender, fs.Args())
	if err != nil {
		return err
	}
	fmt.Fprintf(p.out, "\r%d resources or Bundles imported, %d rejected, %d places not readable\n", n-rejected, rejected, bad)
	if parts > rejected {
		fmt.Fprintf(p.out, "%d parts of those rejected are held\n", parts)
	}
	if rejected > 0 || bad > 0 {
		fmt.Fprintln(p.errOut, "hint: gaussline rejected list shows what is held")
		return errHeld
	}
	return nil
}

// maxNamed is how many rejected files an import names; the list of rejects has them all.
const maxNamed = 20

// nameRejected says in which files lies what is rejected and open, now or from an import before, and counts the resources
// or Bundles concerned, and their parts. It reads the files once more, so that an import in which nothing is rejected, the
// usual one, keeps no names of millions of lines.
func (p *program) nameRejected(ctx context.Context, a *app, sender string, paths []string) (items, parts int64, err error) {
	rejects := map[string][]pipeline.Rejected{}
	err = a.store.View(ctx, func(r pipeline.Reader) error {
		all, err := r.Rejects(ctx, pipeline.RejectOpen)
		for _, x := range all {
			if x.Sender == sender {
				rejects[x.MessageID] = append(rejects[x.MessageID], x)
			}
		}
		return err
	})
	if err != nil || len(rejects) == 0 {
		return 0, 0, err
	}
	_ = files.Read(paths, nil, func(name string, body []byte) error { // its faults were told the first time
		id := pipeline.MessageID(sender, body)
		if _, ok := rejects[id]; !ok {
			return ctx.Err()
		}
		items++
		for _, x := range rejects[id] {
			if parts++; parts <= maxNamed {
				fmt.Fprintf(p.errOut, "rejected: %s: %s  (%s)\n", name, orDash(rejectReason(x)), x.ID[:12])
			}
		}
		return ctx.Err()
	})
	if parts > maxNamed {
		fmt.Fprintf(p.errOut, "and %d more\n", parts-maxNamed)
	}
	return items, parts, ctx.Err()
}

func (a *app) count(ctx context.Context, name string) (n int64, err error) {
	err = a.store.View(ctx, func(r pipeline.Reader) error {
		m, err := r.Count(ctx)
		n = m[name]
		return err
	})
	return n, err
}

type importItem struct {
	name string
	body []byte
}

// putAll puts everything into the inbox while the worker reads it out, and returns when all is committed.
func (p *program) putAll(ctx context.Context, a *app, sender string, paths []string) (done, bad int64, err error) {
	work, stop := context.WithCancel(ctx)
	defer stop()
	ran := make(chan error, 1)
	go func() { ran <- a.service.Run(work) }()

	items := make(chan importItem)
	var failed atomic.Pointer[error]
	var count, large atomic.Int64
	var wg sync.WaitGroup
	for range importSenders {
		wg.Go(func() {
			for it := range items {
				err := putOne(ctx, a, sender, it)
				if errors.Is(err, pipeline.ErrTooLarge) {
					large.Add(1)
					fmt.Fprintf(p.errOut, "\n%s: %d bytes, over limits.message_bytes (%d): not read; the others are\n", it.name, len(it.body), a.cfg.Limits.MessageBytes)
					continue
				}
				if err != nil {
					err = fmt.Errorf("%s: %w", it.name, err)
					failed.CompareAndSwap(nil, &err)
					continue
				}
				if n := count.Add(1); n%1000 == 0 {
					fmt.Fprintf(p.errOut, "\r%d in the inbox", n)
				}
			}
		})
	}
	var first string
	passed := 0
	readErr := files.Read(paths, func(path string) {
		if passed++; passed == 1 {
			first = path
		}
	}, func(name string, body []byte) error {
		if e := failed.Load(); e != nil {
			return *e
		}
		items <- importItem{name, body}
		return ctx.Err()
	})
	close(items)
	wg.Wait()
	if e := failed.Load(); e != nil {
		return count.Load(), 0, fmt.Errorf("the import stopped after %d resources or Bundles, the rest was not read: %w", count.Load(), *e)
	}
	if passed > 0 {
		fmt.Fprintf(p.errOut, "\n%d files passed over, the first %s: neither .json, .ndjson nor .jsonl, or a link; nothing in them is on record\n", passed, first)
	}
	if readErr != nil {
		fmt.Fprintf(p.errOut, "\n%v\n", readErr)
		bad = int64(countJoined(readErr))
	}
	bad += large.Load()
	err = a.untilEmpty(ctx)
	stop()
	return count.Load(), bad, errors.Join(err, <-ran)
}

// putOne keeps an item as a message. What is refused at the door over HTTP is kept here and becomes a reject.
func putOne(ctx context.Context, a *app, sender string, it importItem) error {
	_, _, err := a.receiver().Receive(ctx, sender, "application/fhir+json", it.body)
	var refusal *fhirjson.Refusal
	if errors.As(err, &refusal) {
		return a.broker.Inbox().Put(ctx, pipeline.Message{ID: pipeline.MessageID(sender, it.body), Sender: sender, Body: it.body,
			ReceivedAt: a.now().UTC().Truncate(time.Microsecond)})
	}
	return err
}

// untilEmpty returns when the inbox holds nothing that is not committed.
func (a *app) untilEmpty(ctx context.Context) error {
	t := time.NewTicker(20 * time.Millisecond)
	defer t.Stop()
	for {
		n, err := a.broker.Inbox().Backlog(ctx)
		if err != nil || n == 0 {
			return err
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-t.C:
		}
	}
}

func countJoined(err error) int {
	if j, ok := err.(interface{ Unwrap() []error }); ok {
		return len(j.Unwrap())
	}
	return 1
}
