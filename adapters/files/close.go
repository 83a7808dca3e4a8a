package files

import (
	"context"
	"crypto/ed25519"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"gaussline/mapping/registry"
)

// Close closes a month: writes it into ClosedDir, signed, where it never changes. Months are closed in order; what
// comes later about a closed month is reported in the next. Rows that do not pass the checks do not hold the
// closing up: they are in the month's rejects, and come as new in the month in which they pass.
//
// A first month before anything on record is a TooEarlyError. The caller makes sure that the month is over.
func (e *Exporter) Close(ctx context.Context, period string, key ed25519.PrivateKey) (Result, error) {
	return e.close(ctx, period, key, false)
}

func (e *Exporter) close(ctx context.Context, period string, key ed25519.PrivateKey, early bool) (Result, error) {
	if err := registry.CheckMonth(period); err != nil {
		return Result{}, err
	}
	if e.ClosedDir == "" {
		return Result{}, fmt.Errorf("no folder for closed months")
	}
	if len(key) != ed25519.PrivateKeySize {
		return Result{}, fmt.Errorf("a month is closed with an Ed25519 key")
	}
	closed, err := e.closedMonths(ctx)
	if err != nil {
		return Result{}, err
	}
	if _, ok := closed.find(period); ok {
		return Result{}, fmt.Errorf("%s is closed already; a closed month never changes", period)
	}
	if last := closed.last(); last.period > period {
		return Result{}, fmt.Errorf("%s cannot be closed: %s is closed already, and months are closed in order", period, last.period)
	}
	final := filepath.Join(e.ClosedDir, period)
	m, err := e.write(ctx, month{period, final, Closed, func(manifest []byte) []byte { return ed25519.Sign(key, manifest) }, early}, closed)
	return Result{final, m}, err
}

// PassedOver lists the months that nobody has closed and that can never be closed once period is, oldest first: those
// after the last closed month, or, where none is closed yet, from the month of the first row on record.
func (e *Exporter) PassedOver(ctx context.Context, period string) ([]string, error) {
	if err := registry.CheckMonth(period); err != nil {
		return nil, err
	}
	closed, err := e.closedMonths(ctx)
	if err != nil {
		return nil, err
	}
	first := closed.last().period
	if first == "" {
		first, err = e.firstMonth(ctx)
	} else {
		first, err = monthAfter(first)
	}
	var out []string
	for m := first; err == nil && m != "" && m < period; m, err = monthAfter(m) {
		out = append(out, m)
	}
	return out, err
}

// firstMonth is the month of the first row on record that has one, "" without any.
func (e *Exporter) firstMonth(ctx context.Context) (string, error) {
	tmp, err := os.MkdirTemp("", "gaussline-months-")
	if err != nil {
		return "", err
	}
	defer func() { _ = os.RemoveAll(tmp) }()
	rows, rejects, first, err := e.collect(ctx, registry.FirstMonth, tmp)
	return first, errors.Join(err, rows.close(), rejects.close())
}

func monthAfter(m string) (string, error) {
	t, err := time.Parse("2006-01", m)
	return t.AddDate(0, 1, 0).Format("2006-01"), err
}

// maxPEMBytes bounds a key file.
const maxPEMBytes = 64 << 10

// ReadSigningKey reads an Ed25519 private key: PEM, PKCS #8 (RFC 8410), as "openssl genpkey -algorithm ed25519"
// writes it.
func ReadSigningKey(path string) (ed25519.PrivateKey, error) {
	der, err := readPEM(path, "PRIVATE KEY")
	if err != nil {
		return nil, err
	}
	k, err := x509.ParsePKCS8PrivateKey(der)
	if err != nil {
		return nil, fmt.Errorf("%s: no PKCS #8 key", path)
	}
	key, ok := k.(ed25519.PrivateKey)
	if !ok {
		return nil, fmt.Errorf("%s: the key is not an Ed25519 key", path)
	}
	return key, nil
}

// ReadVerifyKey reads an Ed25519 public key: PEM, SubjectPublicKeyInfo, as "openssl pkey -pubout" writes it.
func ReadVerifyKey(path string) (ed25519.PublicKey, error) {
	der, err := readPEM(path, "PUBLIC KEY")
	if err != nil {
		return nil, err
	}
	k, err := x509.ParsePKIXPublicKey(der)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	key, ok := k.(ed25519.PublicKey)
	if !ok {
		return nil, fmt.Errorf("%s: the key is not an Ed25519 key", path)
	}
	return key, nil
}

func readPEM(path, kind string) ([]byte, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if info.Size() > maxPEMBytes {
		return nil, fmt.Errorf("%s: over %d bytes, is this the right file?", path, maxPEMBytes)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	block, _ := pem.Decode(b)
	if block == nil || block.Type != kind {
		return nil, fmt.Errorf("%s: want a PEM file with a %s", path, kind)
	}
	return block.Bytes, nil
}

// CloseDue closes the months that are due: those that are over, after the last closed one, each on the given day of the
// month after it. Where none was closed yet, only the month before this one is. The results are those closed now.
func (e *Exporter) CloseDue(ctx context.Context, now time.Time, day int, key ed25519.PrivateKey, note func(period string) error) ([]Result, error) {
	closed, err := e.closedMonths(ctx)
	if err != nil {
		return nil, err
	}
	next := MonthStart(now).AddDate(0, -1, 0)
	if last := closed.last().period; last != "" {
		if next, err = time.Parse("2006-01", last); err != nil {
			return nil, err
		}
		next = next.AddDate(0, 1, 0)
	}
	var out []Result
	for ; !now.UTC().Before(next.AddDate(0, 1, day-1)); next = next.AddDate(0, 1, 0) {
		period := next.Format("2006-01")
		if err := note(period); err != nil {
			return out, err
		}
		r, err := e.close(ctx, period, key, true) // also of a service that has just begun
		if err != nil {
			return out, err
		}
		out = append(out, r)
	}
	return out, nil
}
