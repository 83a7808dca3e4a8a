package main

import (
	"context"
	"crypto/ed25519"
	"fmt"
	"strings"
	"time"

	"go.uber.org/zap"

	"gaussline/adapters/access"
	"gaussline/adapters/files"
)

// rekey writes the map from the pseudonyms of former keys to today's, for the registry. It is as sensitive as the keys are
// to the registry: it is written for its owner alone, given to the registry role alone, and each making and each pull is
// audited.
func rekey(ctx context.Context, p *program, args []string) error {
	fs := p.flags("rekey")
	path := fs.String("config", "", "configuration file")
	by := fs.String("by", "", "who makes it, for the audit")
	reason := fs.String("reason", "", "why the key was changed, for the audit")
	if err := parse(fs, args); err != nil {
		return err
	}
	if *by == "" {
		return usageError{"--by is needed: a re-key map joins what the change of key was to part, its making is audited"}
	}
	return p.withStore(ctx, *path, func(a *app) error {
		if len(a.cfg.Registry.FormerKeys) == 0 {
			return usageError{"registry.former_key_files names no former key: nothing to re-key"}
		}
		x, err := a.exporter()
		if err != nil {
			return err
		}
		if err := a.noted(ctx, access.Event{Action: access.Created, What: "rekey-map", Object: x.Key.ID(), Reason: *reason}, *by); err != nil {
			return err
		}
		maps, err := x.RekeyMaps(ctx, a.registryDir("rekey"))
		if err != nil {
			return err
		}
		for _, m := range maps {
			fmt.Fprintf(p.out, "%d pseudonyms in %s\n", m.Pseudonyms, m.Path)
		}
		if len(maps) == 0 {
			fmt.Fprintln(p.out, "no month was closed under a former key: the registry holds nothing to re-key")
		}
		return nil
	})
}

// closeEvery is how often serve looks whether a month is due to be closed.
const closeEvery = time.Hour

// closeMonths closes months on the set day, by the clock of the service.
func (a *app) closeMonths(ctx context.Context) error {
	if a.cfg.Registry.CloseDay == 0 {
		return nil
	}
	x, err := a.exporter()
	if err != nil {
		return err
	}
	key, err := files.ReadSigningKey(a.cfg.Registry.SignKey)
	if err != nil {
		return fmt.Errorf("registry.sign_key_file: %w", err)
	}
	// A chain of its own: each chain has one writer.
	audit := &access.Audit{Journal: a.journal(), Now: a.now, Chain: strings.TrimSuffix("closing-"+a.chain(), "-")}
	t := time.NewTicker(closeEvery)
	defer t.Stop()
	for {
		if err := a.closeDue(ctx, x, key, audit); err != nil && ctx.Err() == nil {
			a.log.Error("month not closed", zap.Error(err)) // and tried again: nothing of it is kept
		}
		select {
		case <-ctx.Done():
			return nil
		case <-t.C:
		}
	}
}

func (a *app) closeDue(ctx context.Context, x *files.Exporter, key ed25519.PrivateKey, audit *access.Audit) error {
	closed, err := x.CloseDue(ctx, a.now(), a.cfg.Registry.CloseDay, key, func(period string) error {
		return audit.Note(ctx, access.Event{Who: "set day", Action: access.Created, What: "month", Object: period})
	})
	for _, r := range closed {
		c := r.Manifest.Registry.Counts
		a.log.Info("month closed", zap.String("month", r.Manifest.Registry.Period), zap.Int64("rows", c.Rows), zap.Int64("rejected", c.RejectedRows))
	}
	return err
}
