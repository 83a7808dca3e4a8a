package faults

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"gaussline/adapters/pipeline"
	inlet "gaussline/adapters/stream"
)

// The last block of a stopped node's inbox is damaged and the broker's index is gone, as after a kill: the broker drops
// what it cannot read and says nothing. The next start says which messages are gone, and all that it does not name come
// out; so does each start after it, until a person has dealt with it.
func TestCorruptedStreamBlock(t *testing.T) {
	const rounds, messages = 12, 40
	rng := rand.New(rand.NewPCG(5, 8))
	told, harmless, unsaid := 0, 0, 0
	for round := range rounds {
		cfg := inlet.Config{Dir: t.TempDir(), MaxBytes: 64 << 20}
		b := openInlet(t, cfg)
		for i := range messages {
			if err := b.Inbox().Put(t.Context(), pipeline.Message{Sender: "hillside", Body: fmt.Appendf(nil, "message %d of round %d", i, round)}); err != nil {
				t.Fatal(err)
			}
		}
		closeInlet(t, b)
		damageBlock(t, rng, filepath.Join(cfg.Dir, "jetstream", "$G", "streams", "GAUSSLINE-IN", "msgs"), round)
		b = openInlet(t, cfg)
		left, err := b.Inbox().Backlog(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		closeInlet(t, b)
		closeInlet(t, openInlet(t, cfg)) // told once, not at each start anew
		lost, err := inlet.Lost(cfg.Dir)
		if err != nil {
			t.Fatal(err)
		}
		switch said := strings.Join(lost, "\n"); {
		case left == messages && said == "":
			harmless++
		case left < messages && len(lost) == 1 && strings.Contains(said, fmt.Sprintf("messages %d to %d of the inbox are gone", left+1, messages)):
			told++
		default:
			unsaid++
			t.Errorf("round %d: %d of %d messages are left, and it says %q", round, left, messages, said)
		}
	}
	if told < rounds/2 {
		t.Errorf("only %d of %d rounds lost something", told, rounds)
	}
	figure(line{"corrupted stream block, no index", rounds, unsaid, 0, "next start", fmt.Sprintf("%d told with their numbers, %d without effect; lost counts what is not told", told, harmless)})
}

// damageBlock takes the index away and flips a byte, cuts the block short, empties it or takes it away.
func damageBlock(t *testing.T, rng *rand.Rand, dir string, round int) {
	t.Helper()
	path := filepath.Join(dir, "1.blk")
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	at := rng.IntN(len(b))
	switch round % 4 {
	case 0:
		b[at] ^= 1 << rng.IntN(8)
	case 1:
		b = b[:at]
	case 2:
		clear(b[at:])
	}
	if err = os.WriteFile(path, b, 0o600); round%4 == 3 {
		err = os.Remove(path)
	}
	if err == nil {
		err = os.Remove(filepath.Join(dir, "index.db"))
	}
	if err != nil {
		t.Fatal(err)
	}
}

func openInlet(t *testing.T, cfg inlet.Config) *inlet.Broker {
	t.Helper()
	b, err := inlet.Open(t.Context(), cfg, nil, time.Now)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func closeInlet(t *testing.T, b *inlet.Broker) {
	t.Helper()
	if err := b.Close(context.WithoutCancel(t.Context())); err != nil {
		t.Fatal(err)
	}
}
