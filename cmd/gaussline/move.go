package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"gaussline/adapters/store"
)

// moveStore copies the embedded store of one configuration into the PostgreSQL of another.
func moveStore(ctx context.Context, p *program, args []string) error {
	fs := p.flags("move-store")
	from := fs.String("from", "", "configuration whose embedded store is read")
	to := fs.String("to", "", "configuration whose PostgreSQL is filled; it must be empty")
	if err := parse(fs, args); err != nil {
		return err
	}
	src, err := loadConfig(*from, p.env)
	if err != nil {
		return err
	}
	dst, err := loadConfig(*to, p.env)
	if err != nil {
		return err
	}
	if src.Store.URLFile != "" || dst.Store.URLFile == "" {
		return usageError{"--from must have the embedded store, --to must have store.url_file"}
	}
	log, err := p.quiet()
	if err != nil {
		return err
	}
	a, b := &app{cfg: src, log: log, now: time.Now}, &app{cfg: dst, log: log, now: time.Now}
	if err := a.openStore(ctx); err != nil {
		return err
	}
	defer func() { _ = a.store.Close() }()
	if err := b.openStore(ctx); err != nil {
		return err
	}
	defer func() { _ = b.store.Close() }()
	began := time.Now()
	bad, err := a.store.Check(ctx)
	if err != nil {
		return err
	}
	if len(bad) > 0 {
		return hinted{fmt.Errorf("the embedded store is damaged: %s (%d problems)", bad[0], len(bad)),
			"nothing was copied; gaussline check-store lists them; restore the newest good copy and replay, see deploy/README.md"}
	}
	err = store.Move(ctx, a.store, b.store, func(m store.Moved) {
		fmt.Fprintf(p.out, "%-15s %9d rows  %s  the same on both sides\n", m.Table, m.Rows, m.Hash)
	})
	if err != nil {
		return hinted{err, "nothing was kept; stop the service while its store is moved, and give an empty database"}
	}
	found, err := b.store.Check(ctx)
	if err != nil || len(found) > 0 {
		return fmt.Errorf("the copy is kept and its check finds: %v %w", found, errors.Join(err))
	}
	fmt.Fprintf(p.out, "moved in %s; the check finds nothing wrong. What is still in the embedded broker's inbox stays there: start the service once on --from with the new store until gaussline_inbox_backlog is 0.\n",
		time.Since(began).Round(time.Millisecond))
	return nil
}
