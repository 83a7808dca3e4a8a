package access

import (
	"context"
	"crypto/aes"
	"crypto/cipher"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"strings"
	"time"
)

// Seal turns keys of patients and orders into opaque ids for addresses and audit lines, and back. One key has one id
// on one installation: AES-256-GCM whose nonce is an HMAC-SHA-256 of the text, so that equal texts give equal ids and
// a changed id is refused.
type Seal struct {
	gcm cipher.AEAD
	mac []byte
}

// ErrSealed: the id was not made here.
var ErrSealed = errors.New("unknown id")

const sealKeyBytes = 64

// NewSeal makes a seal of 64 secret bytes.
func NewSeal(key []byte) (*Seal, error) {
	if len(key) != sealKeyBytes {
		return nil, errors.New("seal key: want 64 bytes")
	}
	block, err := aes.NewCipher(key[:32])
	if err != nil {
		return nil, err
	}
	gcm, err := cipher.NewGCM(block)
	return &Seal{gcm: gcm, mac: key[32:]}, err
}

// OpenSeal makes the seal of an installation, with a key kept in its journal, made at first use.
func OpenSeal(ctx context.Context, j Journal, now time.Time) (*Seal, error) {
	lines, err := j.After(ctx, kindSeal, 0, 1) // the first: it never changes
	if err != nil {
		return nil, err
	}
	if len(lines) == 0 {
		key := make([]byte, sealKeyBytes)
		_, _ = rand.Read(key) // crypto/rand.Read never fails
		body, _ := json.Marshal(key)
		if err := j.Add(ctx, Line{Kind: kindSeal, Key: "1", Body: body, At: now.UTC()}); err != nil {
			return nil, err
		}
		if lines, err = j.After(ctx, kindSeal, 0, 1); err != nil { // another process may have been first
			return nil, err
		}
	}
	var key []byte
	if err := json.Unmarshal(lines[0].Body, &key); err != nil {
		return nil, err
	}
	return NewSeal(key)
}

// ID gives the opaque id of a key of a kind ("record", "order").
func (s *Seal) ID(kind, key string) string {
	m := hmac.New(sha256.New, s.mac)
	m.Write([]byte(kind + "\x00" + key))
	nonce := m.Sum(nil)[:s.gcm.NonceSize()]
	return base64.RawURLEncoding.EncodeToString(s.gcm.Seal(nonce, nonce, []byte(key), []byte(kind)))
}

// Key gives the key back. ErrSealed when the id is of another kind or not ours.
func (s *Seal) Key(kind, id string) (string, error) {
	b, err := base64.RawURLEncoding.Strict().DecodeString(id)
	if err != nil || len(b) < s.gcm.NonceSize() || strings.ContainsAny(id, "\r\n") { // which the decoder skips
		return "", ErrSealed
	}
	key, err := s.gcm.Open(nil, b[:s.gcm.NonceSize()], b[s.gcm.NonceSize():], []byte(kind))
	if err != nil {
		return "", ErrSealed
	}
	return string(key), nil
}
