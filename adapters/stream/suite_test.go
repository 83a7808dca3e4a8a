package stream_test

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/goleak"

	"gaussline/adapters/pipeline"
	"gaussline/adapters/stream"
	"gaussline/adapters/stream/streamtest"
)

func TestMain(m *testing.M) {
	goleak.VerifyTestMain(m)
}

func usersFile(t testing.TB, lines ...string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "users")
	if err := os.WriteFile(path, []byte(strings.Join(lines, "\n")+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func embeddedConfig(t testing.TB) stream.Config {
	return stream.Config{Dir: t.TempDir(), MaxBytes: 256 << 20, Listen: "127.0.0.1:0",
		Users: usersFile(t, "sender "+streamtest.Sender+" "+streamtest.Secret)}
}

func TestEmbedded(t *testing.T) {
	streamtest.Run(t, func(t *testing.T) stream.Config { return embeddedConfig(t) })
}

// outsideServer starts a server as a site would run it, and returns it with its address.
func outsideServer(t testing.TB, change func(*server.Options)) *server.Server {
	t.Helper()
	opts := &server.Options{ServerName: "outside", Host: "127.0.0.1", Port: server.RANDOM_PORT, JetStream: true,
		StoreDir: t.TempDir(), JetStreamMaxStore: 2 << 30, SyncAlways: true, MaxPayload: 8 << 20, NoSigs: true, NoLog: true,
		HTTPHost: "127.0.0.1", HTTPPort: -1}
	if change != nil {
		change(opts)
	}
	return startServer(t, opts)
}

func startServer(t testing.TB, opts *server.Options) *server.Server {
	t.Helper()
	srv, err := server.NewServer(opts)
	if err != nil {
		t.Fatal(err)
	}
	srv.Start()
	t.Cleanup(func() {
		srv.Shutdown()
		srv.WaitForShutdown()
	})
	if !srv.ReadyForConnections(30 * time.Second) {
		t.Fatal("outside server is not ready")
	}
	return srv
}

func TestOutsideServer(t *testing.T) {
	streamtest.Run(t, func(t *testing.T) stream.Config {
		srv := outsideServer(t, nil)
		return stream.Config{URL: srv.ClientURL(), MaxBytes: 256 << 20, Monitor: "http://" + srv.MonitorAddr().String()}
	})
}

// TestCluster runs the suite on three servers with three copies of each stream.
func TestCluster(t *testing.T) {
	if testing.Short() {
		t.Skip("three servers are slow to elect")
	}
	var urls []string
	for _, srv := range cluster(t) {
		urls = append(urls, srv.ClientURL())
	}
	url := strings.Join(urls, ",")
	streamtest.Run(t, func(t *testing.T) stream.Config {
		wipe(t, url)
		return stream.Config{URL: url, Replicas: 3, MaxBytes: 64 << 20}
	})
}

// One server of three is lost: what was acknowledged is there, and Put works again when a leader is found. (Trap 2
// asks for a power cut of all three, which no test here can make.)
func TestClusterLosesOneServer(t *testing.T) {
	if testing.Short() {
		t.Skip("three servers are slow to elect")
	}
	servers := cluster(t)
	var urls []string
	for _, srv := range servers {
		urls = append(urls, srv.ClientURL())
	}
	b := streamtest.Open(t, stream.Config{URL: strings.Join(urls, ","), Replicas: 3, MaxBytes: 64 << 20, PublishWait: 2 * time.Second})
	put := func(body string) error {
		return b.Inbox().Put(t.Context(), pipeline.Message{Sender: "clinic-a", Body: []byte(body)})
	}
	for i := range 20 {
		if err := put(fmt.Sprint("before ", i)); err != nil {
			t.Fatal(err)
		}
	}
	for _, srv := range servers { // the one we are connected to: the worst case for us
		if srv.Addr().String() == b.Addr() {
			srv.Shutdown()
			srv.WaitForShutdown()
			break
		}
	}
	var err error
	for end := time.Now().Add(30 * time.Second); time.Now().Before(end); {
		if err = put("after"); err == nil {
			break
		}
		if !errors.Is(err, pipeline.ErrUnavailable) {
			t.Fatalf("put: %v", err)
		}
		<-time.After(100 * time.Millisecond)
	}
	if err != nil {
		t.Fatalf("put with two servers of three: %v", err)
	}
	seen := map[string]bool{}
	for end := time.Now().Add(30 * time.Second); len(seen) < 21 && time.Now().Before(end); {
		list, err := b.Inbox().Fetch(t.Context(), 30, time.Second)
		if err != nil {
			continue // the reader's leader is being found
		}
		for _, d := range list {
			seen[string(d.Message().Body)] = true
			_ = d.Ack(t.Context())
		}
	}
	if len(seen) != 21 {
		t.Fatalf("%d of 21 acknowledged messages are there", len(seen))
	}
	if err := b.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
}

// wipe makes a place fresh: electing three new servers for each test would take minutes.
func wipe(t testing.TB, url string) {
	t.Helper()
	nc, err := nats.Connect(url)
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	js, err := jetstream.New(nc)
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"GAUSSLINE-IN", "GAUSSLINE-OUT"} {
		var err error
		for range 20 { // the first time nobody leads yet
			ctx, cancel := context.WithTimeout(t.Context(), 2*time.Second)
			err = js.DeleteStream(ctx, name)
			cancel()
			if err == nil || errors.Is(err, jetstream.ErrStreamNotFound) {
				err = nil
				break
			}
		}
		if err != nil {
			t.Fatalf("delete %s: %v", name, err)
		}
	}
}

func cluster(t testing.TB) []*server.Server {
	t.Helper()
	ports := freePorts(t, 3)
	var routes []*url.URL
	for _, port := range ports {
		routes = append(routes, &url.URL{Scheme: "nats", Host: port})
	}
	var servers []*server.Server
	for i, port := range ports {
		opts := &server.Options{ServerName: string(rune('a' + i)), Host: "127.0.0.1", Port: server.RANDOM_PORT, JetStream: true,
			StoreDir: t.TempDir(), JetStreamMaxStore: 1 << 30, SyncAlways: true, MaxPayload: 8 << 20, NoSigs: true, NoLog: true,
			Cluster: server.ClusterOpts{Name: "test", Host: "127.0.0.1", Port: portOf(t, port)}, Routes: routes}
		srv, err := server.NewServer(opts)
		if err != nil {
			t.Fatal(err)
		}
		srv.Start()
		servers = append(servers, srv)
		t.Cleanup(func() {
			srv.Shutdown()
			srv.WaitForShutdown()
		})
	}
	for _, srv := range servers {
		if !srv.ReadyForConnections(30 * time.Second) {
			t.Fatal("a server of the cluster is not ready")
		}
	}
	return servers
}

func freePorts(t testing.TB, n int) []string {
	t.Helper()
	var list []string
	for range n {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		list = append(list, l.Addr().String())
	}
	return list
}

func portOf(t testing.TB, address string) int {
	t.Helper()
	_, number, err := net.SplitHostPort(address)
	if err != nil {
		t.Fatal(err)
	}
	n, err := strconv.Atoi(number)
	if err != nil {
		t.Fatal(err)
	}
	return n
}
