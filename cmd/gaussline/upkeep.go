package main

import (
	"context"
	"crypto/sha256"
	"fmt"
	"os"
	"time"

	"go.uber.org/zap"
)

// Times of upkeep.
const (
	upkeepTime   = time.Minute // between looks at the site's files and at what stands unread
	redecideTime = time.Hour   // verdicts are settled anew this often: healing times and label reviews pass
)

// upkeep does by the clock what no message asks for: it takes over changed labelling and scanner files, lists the devices of
// records that an older program wrote, settles open referrals anew, and reminds of what stands unread.
type upkeep struct {
	*app
	files   [sha256.Size]byte // of the knowledge in force, and of the last that could not be taken
	settled time.Time
}

// keepUp runs upkeep until ctx ends. Open referrals are settled at the start, since labelling may have changed.
func (a *app) keepUp(ctx context.Context) error {
	u := &upkeep{app: a, files: a.filesRead}
	t := time.NewTicker(upkeepTime)
	defer t.Stop()
	for {
		u.once(ctx)
		select {
		case <-ctx.Done():
			return nil
		case <-t.C:
		}
	}
}

// once is one look. What fails is tried again at the next.
func (u *upkeep) once(ctx context.Context) {
	if n, err := u.service.Relist(ctx); n > 0 {
		u.log.Info("devices of records listed anew that an older program wrote", zap.Int("records", n))
	} else if err != nil && ctx.Err() == nil {
		u.log.Warn("devices of records not all listed anew", zap.Error(err))
	}
	if u.takeOver() || u.now().Sub(u.settled) >= redecideTime {
		if err := u.service.Redecide(ctx); err == nil {
			u.settled = u.now()
		} else if ctx.Err() == nil {
			u.settled = time.Time{}
			u.log.Warn("verdicts not settled anew", zap.Error(err))
		}
	}
	if _, err := u.service.Remind(ctx); err != nil && ctx.Err() == nil {
		u.log.Warn("reminders not all queued", zap.Error(err))
	}
}

// takeOver reads the site's files where they changed, and says whether the knowledge in force is another now. Files
// that cannot be taken leave the old ones in force; the log and a metric say so until they can.
func (u *upkeep) takeOver() bool {
	sum := filesSum(u.cfg)
	if sum == u.files && u.unread.Load() == 0 {
		return false
	}
	k, err := loadKnowledge(u.cfg)
	if err != nil {
		u.unread.Store(1)
		u.log.Error("labelling or scanner files changed and cannot be taken: the ones before stay in force", zap.Error(err))
		return false
	}
	u.unread.Store(0)
	u.files = sum
	u.known.Store(k)
	u.log.Info("labelling and scanner files taken over", zap.Int("labelling", len(k.Labels)), zap.Int("scanners", len(k.Scanners)))
	return true
}

// filesSum tells editions of the site's files apart. A file that cannot be read counts as empty: reading it anew says
// what is wrong.
func filesSum(cfg *config) [sha256.Size]byte {
	h := sha256.New()
	for _, path := range append([]string{cfg.MR.Scanners}, cfg.MR.Labelling...) {
		b, _ := os.ReadFile(path)
		fmt.Fprintf(h, "%s %d\n", path, len(b))
		_, _ = h.Write(b)
	}
	return [sha256.Size]byte(h.Sum(nil))
}
