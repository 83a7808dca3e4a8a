package files

import (
	"bytes"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"os"
	"regexp"
	"slices"
)

// MinKeyBytes is the shortest pseudonym key taken: the size of the hash (RFC 2104, section 3).
const MinKeyBytes = 32

// maxKeyBytes guards against naming the wrong file.
const maxKeyBytes = 4096

var registryName = regexp.MustCompile(`^[a-z0-9-]{1,40}$`)

// Key makes the pseudonyms of one registry. It is never written or printed.
//
// A key may follow former ones: a pseudonym is then made with the oldest key, and each later key makes the next of the
// one before. So a pseudonym that left under a former key can be re-keyed without knowing whose it is, also when its
// subject is on no record any more; and whoever has only a former key cannot make today's pseudonyms. The former keys
// must be kept as well as the key.
type Key struct {
	registry string
	secrets  [][]byte // oldest first; the last is in force
}

// NewKey takes a key of at least MinKeyBytes for the registry of that name. One key and name for each recipient
// and purpose: pseudonyms of two registries then cannot be joined.
func NewKey(registry string, secret []byte) (Key, error) {
	if !registryName.MatchString(registry) {
		return Key{}, fmt.Errorf("registry name %q: want 1 to 40 of a-z, 0-9 and -", registry)
	}
	if len(secret) < MinKeyBytes {
		return Key{}, fmt.Errorf("pseudonym key has %d bytes, at least %d are needed", len(secret), MinKeyBytes)
	}
	return Key{registry, [][]byte{bytes.Clone(secret)}}, nil
}

// After gives the key k in force after a former one of the same registry. Keys must differ.
func (k Key) After(former Key) (Key, error) {
	if k.registry != former.registry {
		return Key{}, fmt.Errorf("keys of two registries")
	}
	all := slices.Concat(former.secrets, k.secrets)
	for i, s := range all {
		if slices.ContainsFunc(all[:i], func(x []byte) bool { return bytes.Equal(x, s) }) {
			return Key{}, fmt.Errorf("pseudonym key %s is there twice", keyID(s))
		}
	}
	return Key{k.registry, all}, nil
}

// ReadKeys reads the key in force and the former ones, oldest first.
func ReadKeys(registry, path string, former []string) (Key, error) {
	k, err := ReadKey(registry, path)
	for _, f := range slices.Backward(former) {
		var old Key
		if err == nil {
			old, err = ReadKey(registry, f)
		}
		if err == nil {
			k, err = k.After(old)
		}
	}
	return k, err
}

// ReadKey reads a key file. Its bytes are the key as they are, without line ends at the end.
func ReadKey(registry, path string) (Key, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return Key{}, fmt.Errorf("pseudonym key: %w", err)
	}
	if len(b) > maxKeyBytes {
		return Key{}, fmt.Errorf("pseudonym key %s: over %d bytes, is this the right file?", path, maxKeyBytes)
	}
	k, err := NewKey(registry, bytes.TrimRight(b, "\r\n"))
	if err != nil {
		return Key{}, fmt.Errorf("%s: %w", path, err)
	}
	return k, nil
}

// ID names the key in force without telling it: the first 8 hex digits of its SHA-256.
func (k Key) ID() string { return keyID(k.secrets[len(k.secrets)-1]) }

func keyID(secret []byte) string {
	h := sha256.Sum256(secret)
	return hex.EncodeToString(h[:4])
}

// Knows says whether a key of that ID is in force or a former one.
func (k Key) Knows(id string) bool {
	return slices.ContainsFunc(k.secrets, func(s []byte) bool { return keyID(s) == id })
}

// Pseudonym gives HMAC-SHA-256 (RFC 2104) of "registry/domain|id" as hex; with former keys, see Key.
func (k Key) Pseudonym(domain, id string) string {
	for _, s := range k.secrets {
		id = hex.EncodeToString(mac(s, k.registry+"/"+domain+"|"+id))
	}
	return id
}

// Rekey gives today's pseudonym for one that was made while the key of that ID was in force; "" stays "".
func (k Key) Rekey(from, domain, pseudonym string) (string, error) {
	i := slices.IndexFunc(k.secrets, func(s []byte) bool { return keyID(s) == from })
	if i < 0 {
		return "", fmt.Errorf("pseudonym key %s is not one of the former keys", from)
	}
	if pseudonym == "" {
		return "", nil
	}
	return Key{k.registry, k.secrets[i+1:]}.Pseudonym(domain, pseudonym), nil
}

func mac(key []byte, text string) []byte {
	m := hmac.New(sha256.New, key)
	m.Write([]byte(text))
	return m.Sum(nil)
}
