package stream_test

import (
	"context"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"gaussline/adapters/pipeline"
	"gaussline/adapters/stream"
	"gaussline/adapters/stream/streamtest"
)

func refused(t *testing.T, cfg stream.Config, words string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	b, err := stream.Open(ctx, cfg, nil, time.Now)
	if err == nil {
		_ = b.Close(ctx)
		t.Fatalf("open was not refused; want an error with %q", words)
	}
	if !strings.Contains(err.Error(), words) {
		t.Fatalf("open: %v; want an error with %q", err, words)
	}
}

// Trap 16: a second server on one folder starts and says it is ready. Trap 17: nothing lies outside the folder.
func TestTrap16SecondBrokerOnOneFolder(t *testing.T) {
	cfg := stream.Config{Dir: t.TempDir(), MaxBytes: 64 << 20}
	b := streamtest.Open(t, cfg)
	refused(t, cfg, "in use")
	if err := b.Ready(t.Context()); err != nil {
		t.Fatalf("the first broker after the second was refused: %v", err)
	}
	if err := b.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	streamtest.Open(t, cfg) // free again
	if _, err := os.Stat(filepath.Join(cfg.Dir, "jetstream", "$G", "streams", "GAUSSLINE-IN")); err != nil {
		t.Fatalf("the inbox is not under Dir: %v", err)
	}
}

// Trap 1, outside server: read from its monitoring address.
func TestTrap1OutsideServerThatSyncsLater(t *testing.T) {
	late := outsideServer(t, func(o *server.Options) { o.SyncAlways = false })
	cfg := stream.Config{URL: late.ClientURL(), MaxBytes: 64 << 20}
	if b := streamtest.Open(t, cfg); b.Synced() {
		t.Error("nobody looked, yet the broker says synced")
	}
	cfg.Monitor = "http://" + late.MonitorAddr().String()
	refused(t, cfg, "sync_interval: always")

	good := outsideServer(t, nil)
	cfg = stream.Config{URL: good.ClientURL(), Monitor: "http://" + good.MonitorAddr().String(), MaxBytes: 64 << 20}
	if b := streamtest.Open(t, cfg); !b.Synced() {
		t.Error("checked, yet the broker says not synced")
	}

	// One of three away: started, but not called checked. Two of three, or one that does not sync: refused.
	const nobody = ",http://127.0.0.1:1"
	one := cfg
	one.Monitor += "," + cfg.Monitor + nobody
	if b := streamtest.Open(t, one); b.Synced() {
		t.Error("a server was not asked, yet the broker says synced")
	}
	one.Monitor = cfg.Monitor + nobody + nobody
	refused(t, one, "127.0.0.1:1")
	one.Monitor = cfg.Monitor + ",http://" + late.MonitorAddr().String() + nobody
	refused(t, one, "sync_interval: always")
}

// Trap 3: somebody made the stream beforehand with the persist mode that switches the sync off, or in memory.
func TestTrap3StreamThatDoesNotSync(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*jetstream.StreamConfig)
	}{
		{"persist mode", func(c *jetstream.StreamConfig) { c.PersistMode = jetstream.AsyncPersistMode }},
		{"memory", func(c *jetstream.StreamConfig) { c.Storage = jetstream.MemoryStorage }},
	} {
		t.Run(c.name, func(t *testing.T) {
			srv := outsideServer(t, nil)
			js := admin(t, srv)
			cfg := jetstream.StreamConfig{Name: "GAUSSLINE-IN", Subjects: []string{"gaussline.in.*"}, Retention: jetstream.WorkQueuePolicy}
			c.change(&cfg)
			if _, err := js.CreateStream(t.Context(), cfg); err != nil {
				t.Fatal(err)
			}
			b, err := stream.Open(t.Context(), stream.Config{URL: srv.ClientURL(), MaxBytes: 64 << 20}, nil, time.Now)
			if err != nil {
				t.Logf("refused: %v", err)
				return
			}
			t.Log("taken, and brought to our settings")
			defer func() { _ = b.Close(context.Background()) }()
			s, err := js.Stream(t.Context(), "GAUSSLINE-IN")
			if err != nil {
				t.Fatal(err)
			}
			if got := s.CachedInfo().Config; got.PersistMode != jetstream.DefaultPersistMode || got.Storage != jetstream.FileStorage {
				t.Fatalf("opened on a stream with storage %v, persist mode %v", got.Storage, got.PersistMode)
			}
		})
	}
}

func admin(t testing.TB, srv *server.Server) jetstream.JetStream {
	t.Helper()
	nc, err := nats.Connect(srv.ClientURL())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(nc.Close)
	js, err := jetstream.New(nc)
	if err != nil {
		t.Fatal(err)
	}
	return js
}

// Traps 10, 11, 17: what the streams promise, read back from the broker.
func TestTraps10And11And17StreamSettings(t *testing.T) {
	srv := outsideServer(t, nil)
	streamtest.Open(t, stream.Config{URL: srv.ClientURL(), MaxBytes: 64 << 20})
	js := admin(t, srv)
	in, err := js.Stream(t.Context(), "GAUSSLINE-IN")
	if err != nil {
		t.Fatal(err)
	}
	c := in.CachedInfo().Config
	if c.Retention != jetstream.WorkQueuePolicy || c.Discard != jetstream.DiscardNew || c.MaxBytes != 64<<20 || c.MaxAge != 0 || c.MaxMsgs != -1 {
		t.Errorf("inbox may drop what is not read: %+v", c)
	}
	if c.Duplicates > 100*time.Millisecond {
		t.Errorf("two senders with one Nats-Msg-Id inside %v lose a message", c.Duplicates)
	}
	r, err := in.Consumer(t.Context(), "gaussline-reader")
	if err != nil {
		t.Fatal(err)
	}
	if rc := r.CachedInfo().Config; rc.MaxDeliver != -1 || rc.AckPolicy != jetstream.AckExplicitPolicy || rc.InactiveThreshold != 0 {
		t.Errorf("reader: MaxDeliver %d, AckPolicy %v, InactiveThreshold %v", rc.MaxDeliver, rc.AckPolicy, rc.InactiveThreshold)
	}
	out, err := js.Stream(t.Context(), "GAUSSLINE-OUT")
	if err != nil {
		t.Fatal(err)
	}
	if c := out.CachedInfo().Config; c.Discard != jetstream.DiscardNew || c.MaxBytes != 64<<20 || c.Duplicates != 10*time.Minute {
		t.Errorf("outgoing stream: %+v", c)
	}
}

// Trap 13: a paused reader looks like an idle one, and stays paused over a restart.
func TestTrap13PausedReader(t *testing.T) {
	srv := outsideServer(t, nil)
	cfg := stream.Config{URL: srv.ClientURL(), MaxBytes: 64 << 20}
	b := streamtest.Open(t, cfg)
	if _, err := admin(t, srv).PauseConsumer(t.Context(), "GAUSSLINE-IN", "gaussline-reader", time.Now().Add(time.Hour)); err != nil {
		t.Fatal(err)
	}
	if err := b.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	b = streamtest.Open(t, cfg)
	if err := b.Ready(t.Context()); !errors.Is(err, pipeline.ErrUnavailable) || !strings.Contains(err.Error(), "paused") {
		t.Fatalf("ready with a paused reader: %v", err)
	}
	if err := b.Resume(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := b.Ready(t.Context()); err != nil {
		t.Fatalf("ready after Resume: %v", err)
	}
}

// Trap 20: the reader is deleted on the broker; the next Fetch but one has it again, with every message.
func TestTrap20ReaderGone(t *testing.T) {
	srv := outsideServer(t, nil)
	b := streamtest.Open(t, stream.Config{URL: srv.ClientURL(), MaxBytes: 64 << 20})
	m := pipeline.Message{Sender: "clinic-a", Body: []byte("{}")}
	if err := b.Inbox().Put(t.Context(), m); err != nil {
		t.Fatal(err)
	}
	if err := admin(t, srv).DeleteConsumer(t.Context(), "GAUSSLINE-IN", "gaussline-reader"); err != nil {
		t.Fatal(err)
	}
	if _, err := b.Inbox().Fetch(t.Context(), 1, 5*time.Second); !errors.Is(err, pipeline.ErrUnavailable) {
		t.Fatalf("fetch without a reader: %v, want unavailable", err)
	}
	got, err := b.Inbox().Fetch(t.Context(), 1, 5*time.Second)
	if err != nil || len(got) != 1 {
		t.Fatalf("fetch after that: %d messages, %v", len(got), err)
	}
}

// Trap 21: a server that takes less than our limit would refuse big messages later, one by one.
func TestTrap21ServerTakesLess(t *testing.T) {
	srv := outsideServer(t, func(o *server.Options) { o.MaxPayload = 1 << 20 })
	refused(t, stream.Config{URL: srv.ClientURL(), MaxBytes: 64 << 20}, "max_payload")
	streamtest.Open(t, stream.Config{URL: srv.ClientURL(), MaxBytes: 64 << 20, MaxMessageBytes: 512 << 10})
}

// Trap 19: the outside server is away for a while; Put says so at once and works again when it is back.
func TestTrap19ServerAway(t *testing.T) {
	dir, port := t.TempDir(), freePorts(t, 1)[0]
	start := func() *server.Server {
		return outsideServer(t, func(o *server.Options) { o.StoreDir, o.Port = dir, portOf(t, port) })
	}
	srv := start()
	b := streamtest.Open(t, stream.Config{URL: srv.ClientURL(), MaxBytes: 64 << 20, PublishWait: 2 * time.Second})
	put := func(body string) error {
		return b.Inbox().Put(t.Context(), pipeline.Message{Sender: "clinic-a", Body: []byte(body)})
	}
	if err := put("before"); err != nil {
		t.Fatal(err)
	}
	srv.Shutdown()
	srv.WaitForShutdown()
	if err := put("away"); !errors.Is(err, pipeline.ErrUnavailable) {
		t.Fatalf("put while the server is away: %v", err)
	}
	if _, err := b.Inbox().Fetch(t.Context(), 1, time.Second); !errors.Is(err, pipeline.ErrUnavailable) {
		t.Fatalf("fetch while the server is away: %v", err)
	}
	start()
	var err error
	for end := time.Now().Add(20 * time.Second); time.Now().Before(end); {
		if err = put("after"); err == nil {
			break
		}
		select { // the client tries every half second
		case <-t.Context().Done():
		case <-time.After(100 * time.Millisecond):
		}
	}
	if err != nil {
		t.Fatalf("put after the server is back: %v", err)
	}
	select {
	case <-b.Dead():
		t.Fatalf("gave up: %v", b.Why())
	default:
	}
	n, err := b.Inbox().Backlog(t.Context())
	if err != nil || n < 2 {
		t.Fatalf("backlog %d, %v: what was acknowledged before is lost", n, err)
	}
	if err := b.Close(t.Context()); err != nil { // before its server goes
		t.Fatal(err)
	}
}

// Trap 18, the disk itself full: no Put is answered nil that is not kept, the broker asks for a restart, and after
// one with room it works and has all it acknowledged. Needs the right to mount a small file system.
func TestTrap18DiskFull(t *testing.T) {
	dir := t.TempDir()
	if out, err := exec.Command("mount", "-t", "tmpfs", "-o", "size=16m", "tmpfs", dir).CombinedOutput(); err != nil {
		t.Skipf("no right to mount: %s", strings.TrimSpace(string(out)))
	}
	t.Cleanup(func() {
		if out, err := exec.Command("umount", "-l", dir).CombinedOutput(); err != nil {
			t.Errorf("umount: %s", out)
		}
	})
	cfg := stream.Config{Dir: filepath.Join(dir, "store"), MaxBytes: 64 << 20, PublishWait: time.Second}
	ballast := filepath.Join(dir, "ballast")
	if err := os.WriteFile(ballast, make([]byte, 10<<20), 0o600); err != nil {
		t.Fatal(err)
	}
	b, err := stream.Open(t.Context(), cfg, nil, time.Now)
	if err != nil {
		t.Fatal(err)
	}
	body := strings.Repeat("x", 100<<10)
	kept := 0
	for ; kept < 200; kept++ {
		if err = b.Inbox().Put(t.Context(), pipeline.Message{Sender: "clinic-a", Body: []byte(body)}); err != nil {
			break
		}
	}
	if !errors.Is(err, pipeline.ErrUnavailable) {
		t.Fatalf("put on a full disk: %v after %d", err, kept)
	}
	if err := b.Ready(t.Context()); !errors.Is(err, pipeline.ErrUnavailable) {
		t.Fatalf("ready on a full disk: %v", err)
	}
	t.Logf("kept %d; why: %v", kept, b.Why())
	_ = b.Close(t.Context())
	if err := os.Remove(ballast); err != nil {
		t.Fatal(err)
	}
	b = streamtest.Open(t, cfg)
	n, err := b.Inbox().Backlog(t.Context())
	if err != nil || n < int64(kept) {
		t.Fatalf("backlog %d (%v) after the restart, %d were acknowledged", n, err, kept)
	}
	if err := b.Inbox().Put(t.Context(), pipeline.Message{Sender: "clinic-a", Body: []byte("{}")}); err != nil {
		t.Fatalf("put after room was made: %v", err)
	}
	if err := b.Close(t.Context()); err != nil { // before the file system goes
		t.Fatal(err)
	}
}

// A smaller MaxBytes than is in use refuses new messages; what is there and not read stays.
func TestSmallerMaxBytesDropsNothing(t *testing.T) {
	cfg := stream.Config{Dir: t.TempDir(), MaxBytes: 8 << 20, MaxMessageBytes: 512 << 10}
	b := streamtest.Open(t, cfg)
	body := []byte(strings.Repeat("x", 400<<10))
	for range 10 {
		if err := b.Inbox().Put(t.Context(), pipeline.Message{Sender: "clinic-a", Body: body}); err != nil {
			t.Fatal(err)
		}
	}
	if err := b.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	cfg.MaxBytes = 1 << 20
	b, err := stream.Open(t.Context(), cfg, nil, time.Now)
	if err != nil {
		if !strings.Contains(err.Error(), "MaxBytes") {
			t.Errorf("refused without naming the setting: %v", err)
		}
		cfg.MaxBytes = 8 << 20
		b = streamtest.Open(t, cfg)
	} else {
		defer func() { _ = b.Close(context.Background()) }()
		if err := b.Inbox().Put(t.Context(), pipeline.Message{Sender: "clinic-a", Body: body}); !errors.Is(err, pipeline.ErrUnavailable) {
			t.Errorf("put over the smaller limit: %v", err)
		}
	}
	if n, err := b.Inbox().Backlog(t.Context()); err != nil || n != 10 {
		t.Fatalf("%d of 10 unread messages are left (%v)", n, err)
	}
}
