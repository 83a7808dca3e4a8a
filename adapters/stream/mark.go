package stream

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"go.uber.org/zap"
)

const (
	markFile = "gaussline-inbox.mark" // the highest number that the embedded server has acknowledged to us, 8 bytes
	lostFile = "gaussline-inbox.lost" // a line for each loss that was found; a person removes it
)

// mark remembers the highest number of a message that is known to be in the inbox. The embedded server drops what it
// cannot read of a damaged block, and the numbers behind it, without a word: it starts with a lower number than it had.
// The file is not synced: a killed process loses nothing of it, and after a power cut it is behind, which hides a loss
// and never invents one.
type mark struct {
	mu   sync.Mutex
	file *os.File
	high uint64
}

// openMark reads the mark of a folder; no file is no mark.
func openMark(dir string) (*mark, error) {
	f, err := os.OpenFile(filepath.Join(dir, markFile), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, fmt.Errorf("stream: %w", err)
	}
	m := &mark{file: f}
	var b [8]byte
	if n, _ := f.ReadAt(b[:], 0); n == len(b) {
		m.high = binary.BigEndian.Uint64(b[:])
	}
	return m, nil
}

// reached notes that a number is in the inbox. What cannot be noted shows at the next start as nothing lost.
func (m *mark) reached(seq uint64) {
	if m == nil {
		return
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	if seq > m.high {
		m.write(seq)
	}
}

func (m *mark) write(seq uint64) {
	m.high = seq
	_, _ = m.file.WriteAt(binary.BigEndian.AppendUint64(nil, seq), 0)
}

func (m *mark) close() {
	if m != nil {
		_ = m.file.Close()
	}
}

// compareMark finds what the embedded server's inbox lacks at its end, and says so in the log at each start until a
// person has removed the file that keeps it.
func (b *Broker) compareMark(ctx context.Context) error {
	info, err := b.in.Info(ctx)
	if err != nil {
		return fmt.Errorf("stream: %w", err)
	}
	if last := info.State.LastSeq; last < b.mark.high {
		text := fmt.Sprintf("%s messages %d to %d of the inbox are gone; those not yet in the store are lost",
			b.now().UTC().Format(time.RFC3339), last+1, b.mark.high)
		f, err := os.OpenFile(filepath.Join(b.cfg.Dir, lostFile), os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o600)
		if err != nil {
			return fmt.Errorf("stream: %s: %w", text, err)
		}
		_, err = fmt.Fprintln(f, text)
		if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
			return fmt.Errorf("stream: %s: %w", text, err)
		}
		b.mark.write(last) // the server gives the numbers again
	}
	lost, err := Lost(b.cfg.Dir)
	for _, text := range lost {
		b.log.Error("the inbox was damaged: ask its senders to send again what they sent before this time, then remove the file",
			zap.String("lost", text), zap.String("file", filepath.Join(b.cfg.Dir, lostFile)))
	}
	return err
}

// Lost gives what is known to be lost of the inbox in the folder of an embedded server, until a person removes the file.
func Lost(dir string) ([]string, error) {
	b, err := os.ReadFile(filepath.Join(dir, lostFile))
	if errors.Is(err, os.ErrNotExist) {
		return nil, nil
	}
	return strings.FieldsFunc(string(b), func(r rune) bool { return r == '\n' }), err
}
