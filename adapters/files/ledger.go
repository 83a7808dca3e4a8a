package files

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"gaussline/adapters/pipeline"
)

// Ledger keeps in the store which months are closed. So of several nodes on one store a single one closes a month, and
// none goes on without a month that another has closed: it would report everything in it as new.
type Ledger struct {
	Store interface {
		Viewer
		Update(ctx context.Context, f func(pipeline.Tx) error) error
	}
	Now func() time.Time
}

// closedEntry is the body of an entry of the kind pipeline.KindMonthClosed.
type closedEntry struct {
	Manifest string `json:"manifest"` // hash, see Hash
}

// closed gives the hash of the manifest of each closed month of a registry, by period.
func (l *Ledger) closed(ctx context.Context, registry string) (map[string]string, error) {
	if l == nil {
		return nil, nil
	}
	out := map[string]string{}
	err := l.Store.View(ctx, func(r pipeline.Reader) error {
		list, err := r.Newest(ctx, pipeline.KindMonthClosed)
		for _, e := range list {
			name, period, _ := strings.Cut(e.Key, "/")
			if name != registry {
				continue
			}
			var c closedEntry
			if err := json.Unmarshal(e.Body, &c); err != nil {
				return fmt.Errorf("entry %d of the journal: %w", e.Seq, err)
			}
			out[period] = c.Manifest
		}
		return err
	})
	return out, err
}

// close keeps that a month is closed; an error when it is already.
func (l *Ledger) close(ctx context.Context, registry, period, manifest string) error {
	if l == nil {
		return nil
	}
	body, err := json.Marshal(closedEntry{manifest})
	if err != nil {
		return err
	}
	err = l.Store.Update(ctx, func(tx pipeline.Tx) error {
		_, err := tx.Append(ctx, pipeline.Entry{Kind: pipeline.KindMonthClosed, Key: registry + "/" + period, Body: body, At: l.Now()})
		return err
	})
	if errors.Is(err, pipeline.ErrExists) {
		return fmt.Errorf("%s has just been closed, by another node or command; a closed month never changes", period)
	}
	return err
}

// settle gives folders their names that were left when a node ended between keeping that a month is closed and naming its
// folder. Whoever comes first does it.
func (e *Exporter) settle(kept map[string]string) error {
	for period, hash := range kept {
		final := filepath.Join(e.ClosedDir, period)
		if _, err := os.Stat(final); err == nil {
			continue
		}
		left, err := filepath.Glob(filepath.Join(e.ClosedDir, "."+period+"-*"))
		if err != nil {
			return err
		}
		for _, dir := range left {
			if _, raw, err := ReadManifest(dir); err != nil || Hash(raw) != hash {
				continue // of a try that ended before it was kept, or was second
			}
			if err := os.Rename(dir, final); err != nil && !isMonth(final, hash) {
				return err
			}
			break
		}
	}
	return nil
}

// isMonth says whether a folder is that of the month with that manifest.
func isMonth(dir, hash string) bool {
	_, raw, err := ReadManifest(dir)
	return err == nil && Hash(raw) == hash
}

// agrees says whether the folders are those of all months that are kept as closed.
func (e *Exporter) agrees(folders history, kept map[string]string) error {
	for _, period := range slices.Sorted(maps.Keys(kept)) {
		hash := kept[period]
		c, ok := folders.find(period)
		switch {
		case !ok:
			return fmt.Errorf("%s was closed, and its folder is not in %s: another node closed it, or it was lost. All nodes need one folder (registry.closed_dir)", period, e.ClosedDir)
		case c.hash != hash:
			return fmt.Errorf("%s is not the folder of the month that was closed: its manifest is %s, that of the closed month %s", c.dir, c.hash, hash)
		}
	}
	return nil
}
