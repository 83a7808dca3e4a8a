package access

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"sync"
	"time"

	"github.com/go-jose/go-jose/v4"
)

// Limits of key sets.
const (
	maxKeySet  = 256 << 10       // bytes
	keysLast   = time.Hour       // a fetched set is fetched again after that
	retryAfter = time.Minute     // between fetches for a key id that is not there, or after a failure
	keysKept   = 24 * time.Hour  // a set that cannot be fetched again stays in use so long
	fetchLasts = 5 * time.Second // of one fetch
)

// Keys finds the public keys of a client.
type Keys interface {
	// Keys gives the keys with an id, none when there is none.
	Keys(ctx context.Context, kid string) ([]jose.JSONWebKey, error)
}

// FileKeys are the keys of a JWK set file, read once.
type FileKeys struct{ set jose.JSONWebKeySet }

// ReadKeys reads a JWK set file.
func ReadKeys(path string) (FileKeys, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return FileKeys{}, fmt.Errorf("JWK set: %w", err)
	}
	set, err := ParseKeys(b)
	return FileKeys{set}, err
}

// Keys implements Keys.
func (f FileKeys) Keys(_ context.Context, kid string) ([]jose.JSONWebKey, error) {
	return f.set.Key(kid), nil
}

// URLKeys are the keys of a JWK set that a client publishes. A key id that is not in the set makes it fetch anew, at
// most once a minute, so that a client may change its keys and nobody can make us hammer it.
type URLKeys struct {
	URL    string
	Client *http.Client
	Now    func() time.Time

	mu      sync.Mutex
	set     jose.JSONWebKeySet
	fetched time.Time // of the set
	tried   time.Time
}

// Keys implements Keys. One call fetches at a time; the others wait for it.
func (u *URLKeys) Keys(ctx context.Context, kid string) ([]jose.JSONWebKey, error) {
	u.mu.Lock()
	defer u.mu.Unlock()
	now := u.Now()
	found := u.set.Key(kid)
	old := now.Sub(u.fetched) > keysLast
	if (old || len(found) == 0) && now.Sub(u.tried) >= retryAfter {
		u.tried = now
		if set, err := u.fetch(ctx); err == nil {
			u.set, u.fetched, found = set, now, set.Key(kid)
		}
	}
	if now.Sub(u.fetched) > keysKept {
		return nil, errors.New("JWK set of a client could not be fetched")
	}
	return found, nil
}

func (u *URLKeys) fetch(ctx context.Context) (set jose.JSONWebKeySet, err error) {
	// One caller who goes away must not fail the fetch for the rest.
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), fetchLasts)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, u.URL, nil)
	if err != nil {
		return set, err
	}
	res, err := u.Client.Do(req)
	if err != nil {
		return set, err
	}
	defer func() { _ = res.Body.Close() }()
	if res.StatusCode != http.StatusOK {
		return set, fmt.Errorf("JWK set: status %d", res.StatusCode)
	}
	b, err := io.ReadAll(io.LimitReader(res.Body, maxKeySet+1))
	if err != nil {
		return set, err
	}
	if len(b) > maxKeySet {
		return set, errors.New("JWK set: too large")
	}
	return ParseKeys(b)
}
