package pages

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"time"

	"github.com/alexedwards/scs/v2"

	"gaussline/adapters/pipeline"
)

// renewTime is how much later a session must end to be written for that alone: reading pages does not write at each
// click. The idle limit holds to this much, on the short side.
const renewTime = time.Minute

// sessionStore keeps sessions in the store, so that every node knows who is logged in, and a log-out holds on all of
// them, also against a request that is under way. The library hashes the browser's token before it comes here.
type sessionStore struct {
	kept pipeline.Sessions
	now  func() time.Time
}

var _ scs.CtxStore = sessionStore{}

// came is where a request notes the session that it came with.
type came struct{}

// remember lets a request note its session.
func remember(h http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h.ServeHTTP(w, r.WithContext(withCame(r.Context())))
	})
}

func withCame(ctx context.Context) context.Context {
	return context.WithValue(ctx, came{}, new(pipeline.Session))
}

func (s sessionStore) FindCtx(ctx context.Context, id string) (data []byte, found bool, err error) {
	x, err := s.kept.Session(ctx, id, s.now())
	if errors.Is(err, pipeline.ErrNotFound) {
		return nil, false, nil
	}
	if with, ok := ctx.Value(came{}).(*pipeline.Session); ok && err == nil {
		*with = x
	}
	return x.Data, err == nil, err
}

// CommitCtx keeps a session. One that the request came with, and that has ended meanwhile, stays ended.
func (s sessionStore) CommitCtx(ctx context.Context, id string, data []byte, ends time.Time) error {
	x := pipeline.Session{ID: id, Data: data, Ends: ends}
	with, ok := ctx.Value(came{}).(*pipeline.Session)
	switch {
	case !ok || with.ID != id:
		return s.kept.SaveSession(ctx, x, s.now())
	case bytes.Equal(with.Data, data) && ends.Sub(with.Ends) < renewTime:
		return nil
	}
	return s.kept.RenewSession(ctx, x, s.now())
}

func (s sessionStore) DeleteCtx(ctx context.Context, id string) error {
	return s.kept.DropSession(ctx, id)
}

// Find, Commit and Delete are what the library asks for where it has no context; it has one here.
func (s sessionStore) Find(id string) ([]byte, bool, error) {
	return s.FindCtx(context.Background(), id)
}
func (s sessionStore) Commit(id string, data []byte, ends time.Time) error {
	return s.CommitCtx(context.Background(), id, data, ends)
}
func (s sessionStore) Delete(id string) error { return s.DeleteCtx(context.Background(), id) }

// sessionJSON writes what a session holds, all of it text, the same way each time.
type sessionJSON struct {
	Until  time.Time      `json:"until"` // then a person logs in again, whatever they do
	Values map[string]any `json:"values"`
}

func (sessionJSON) Encode(until time.Time, values map[string]any) ([]byte, error) {
	return json.Marshal(sessionJSON{until, values})
}

func (sessionJSON) Decode(b []byte) (time.Time, map[string]any, error) {
	s := sessionJSON{Values: map[string]any{}}
	err := json.Unmarshal(b, &s)
	return s.Until, s.Values, err
}
