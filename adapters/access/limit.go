package access

import (
	"sync"
	"time"
)

// Limiter slows guessing down: after Most failures under one key within Window, the key waits until the window has
// passed. It is safe for concurrent use.
type Limiter struct {
	Most   int
	Window time.Duration
	Now    func() time.Time

	mu   sync.Mutex
	seen map[string]tries
}

type tries struct {
	n     int
	since time.Time
}

// maxKeys bounds the limiter's memory; when it is full the expired are dropped, then new keys are refused.
const maxKeys = 20000

// Allow says whether another try is allowed, and counts it. Reserve before trying, so that many tries at once do
// not slip through; Forget after a success.
func (l *Limiter) Allow(key string) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	now := l.Now()
	if l.seen == nil {
		l.seen = map[string]tries{}
	}
	t, ok := l.seen[key]
	if ok && now.Sub(t.since) >= l.Window {
		t = tries{}
	}
	if !ok && len(l.seen) >= maxKeys && !l.dropExpired(now) {
		return false
	}
	if t.n == 0 {
		t.since = now
	}
	if t.n >= l.Most {
		return false
	}
	t.n++
	l.seen[key] = t
	return true
}

func (l *Limiter) dropExpired(now time.Time) bool {
	for k, t := range l.seen {
		if now.Sub(t.since) >= l.Window {
			delete(l.seen, k)
		}
	}
	return len(l.seen) < maxKeys
}

// Forget clears a key after a success.
func (l *Limiter) Forget(key string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	delete(l.seen, key)
}

// Undo takes back one counted try: one that succeeded. Earlier failures stay counted.
func (l *Limiter) Undo(key string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if t, ok := l.seen[key]; ok && t.n > 1 {
		t.n--
		l.seen[key] = t
	} else {
		delete(l.seen, key)
	}
}
