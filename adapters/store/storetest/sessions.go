package storetest

import (
	"errors"

	"gaussline/adapters/pipeline"
)

// A session is there until it ends, at the moment it was last given; whatever it was before is gone. It waits for no
// update.
func testSessions(b *bench) {
	kept := b.store.(pipeline.Sessions)
	ok := func(err error) {
		b.Helper()
		if err != nil {
			b.Error(err)
		}
	}
	found := func(what, id string, now int, want *pipeline.Session) {
		b.Helper()
		got, err := kept.Session(b.ctx, id, at(now))
		if want == nil {
			if !errors.Is(err, pipeline.ErrNotFound) {
				b.Errorf("%s: %v, %v, want none", what, got, err)
			}
			return
		}
		ok(err)
		b.same(what, got, *want)
	}
	full := filled[pipeline.Session]()
	full.Ends = at(100)
	short, empty := pipeline.Session{ID: "short", Data: []byte("1"), Ends: at(10)}, pipeline.Session{ID: "empty", Ends: at(100)}
	for _, s := range []pipeline.Session{full, short, empty} {
		ok(kept.SaveSession(b.ctx, s, at(0)))
	}
	found("kept", full.ID, 0, &full)
	found("without data", "empty", 0, &empty)
	found("until its end", "short", 9, &short)
	found("at its end", "short", 10, nil)
	found("unknown", "none", 0, nil)

	short.Data, short.Ends = []byte("2"), at(20)
	ok(kept.RenewSession(b.ctx, short, at(9)))
	found("renewed", "short", 19, &short)
	ok(kept.RenewSession(b.ctx, pipeline.Session{ID: "short", Data: []byte("3"), Ends: at(30)}, at(20)))
	found("over: not renewed", "short", 20, nil)
	found("over: left as it was", "short", 0, &short)
	ok(kept.RenewSession(b.ctx, pipeline.Session{ID: "none", Ends: at(30)}, at(0)))
	found("unknown: not renewed", "none", 0, nil)
	full.Data = []byte("4")
	ok(kept.SaveSession(b.ctx, full, at(20))) // drops what has ended, and only that
	found("dropped", "short", 0, nil)
	found("replaced", full.ID, 0, &full)

	ok(kept.DropSession(b.ctx, full.ID))
	found("ended", full.ID, 0, nil)
	ok(kept.DropSession(b.ctx, full.ID))
	found("another", "empty", 0, &empty)
	for _, id := range []string{"", "a\x00"} {
		if err := kept.SaveSession(b.ctx, pipeline.Session{ID: id, Ends: at(1)}, at(0)); err == nil {
			b.Errorf("%q was kept", id)
		}
	}
	b.reopen(b.open)
	kept = b.store.(pipeline.Sessions)
	found("after a restart", "empty", 0, &empty)
}
