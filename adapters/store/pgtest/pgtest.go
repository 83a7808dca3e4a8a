// Package pgtest starts the machine's own PostgreSQL server in a temporary folder for tests. It is never mocked.
//
// What does not live here: any table of ours.
package pgtest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strconv"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
)

// RequireEnv, when set, makes a missing server a failure of the test and not a reason to skip it.
const RequireEnv = "GAUSSLINE_REQUIRE_POSTGRES"

const (
	startTries = 5 // a free port may be taken before the server has it
	startWait  = 30 * time.Second
	pollEvery  = 20 * time.Millisecond
	stopWait   = 10 * time.Second
)

// Start runs a server until the test ends and gives the URL of its database "postgres". The server listens on a
// free port of the loopback and on a socket in its folder. It ends with the test process, even a killed one.
func Start(t testing.TB) (dbURL string) {
	t.Helper()
	initdb, postgres := find(t, "initdb"), find(t, "postgres")
	// Not t.TempDir: its name can be too long for a socket, and its parents may be closed to the server's user.
	dir, err := os.MkdirTemp("", "pgtest")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	attr := account(t, dir)
	data := filepath.Join(dir, "data")
	run := exec.Command(initdb, "-D", data, "-U", "postgres", "-A", "trust", "-E", "UTF8", "--locale=C", "--no-sync")
	run.SysProcAttr, run.Dir = attr, dir
	if out, err := run.CombinedOutput(); err != nil {
		t.Fatalf("initdb: %v\n%s", err, out)
	}
	var last error
	for range startTries {
		u, err := serve(t, postgres, dir, data, attr)
		if err == nil {
			return u
		}
		last = err
	}
	t.Fatalf("postgres did not start: %v", last)
	return ""
}

// find looks for a program in the path and where Debian keeps it.
func find(t testing.TB, name string) string {
	t.Helper()
	if p, err := exec.LookPath(name); err == nil {
		if p, err = filepath.EvalSymlinks(p); err == nil {
			return p
		}
	}
	if found, _ := filepath.Glob("/usr/lib/postgresql/*/bin/" + name); len(found) > 0 {
		return found[len(found)-1]
	}
	if os.Getenv(RequireEnv) != "" {
		t.Fatalf("PostgreSQL's %s is not installed and %s is set", name, RequireEnv)
	}
	t.Skipf("PostgreSQL's %s is not installed (Debian: apt-get install postgresql); set %s to fail instead", name, RequireEnv)
	return ""
}

// account makes the folder belong to a user that the server agrees to run as: it refuses root.
func account(t testing.TB, dir string) *syscall.SysProcAttr {
	t.Helper()
	if os.Getuid() != 0 {
		return nil
	}
	for _, name := range []string{"postgres", "nobody"} {
		u, err := user.Lookup(name)
		if err != nil {
			continue
		}
		uid, err1 := strconv.ParseUint(u.Uid, 10, 32)
		gid, err2 := strconv.ParseUint(u.Gid, 10, 32)
		if err := errors.Join(err1, err2, os.Chown(dir, int(uid), int(gid))); err != nil {
			t.Fatal(err)
		}
		return &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}}
	}
	t.Fatal("PostgreSQL does not run as root, and there is neither a user postgres nor nobody")
	return nil
}

func freePort() (int, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return 0, err
	}
	defer l.Close()
	return l.Addr().(*net.TCPAddr).Port, nil
}

// serve starts the server and waits until it answers. A shell holds the other end of a pipe: when this process
// goes, however it goes, the pipe closes and the shell stops the server.
func serve(t testing.TB, postgres, dir, data string, attr *syscall.SysProcAttr) (string, error) {
	port, err := freePort()
	if err != nil {
		return "", err
	}
	const script = `"$@" </dev/null & server=$!; read _; kill -QUIT $server; wait $server`
	cmd := exec.Command("/bin/sh", "-c", script, "sh", postgres, "-D", data, "-k", dir, "-p", strconv.Itoa(port),
		"-c", "listen_addresses=127.0.0.1", "-c", "max_connections=200")
	var log bytes.Buffer
	cmd.Stdout, cmd.Stderr, cmd.SysProcAttr, cmd.Dir = &log, &log, attr, dir
	cmd.WaitDelay = stopWait
	pipe, err := cmd.StdinPipe()
	if err != nil {
		return "", err
	}
	if err := cmd.Start(); err != nil {
		return "", err
	}
	stop := func() error {
		_ = pipe.Close()
		_ = cmd.Wait() // the shell's status is that of a server told to quit
		return nil
	}
	u := fmt.Sprintf("postgres://postgres@127.0.0.1:%d/postgres?sslmode=disable", port)
	if err := answers(u); err != nil {
		_ = stop()
		return "", fmt.Errorf("%w\n%s", err, log.String())
	}
	t.Cleanup(func() { _ = stop() })
	return u, nil
}

func answers(u string) error {
	ctx, cancel := context.WithTimeout(context.Background(), startWait)
	defer cancel()
	for {
		c, err := pgx.Connect(ctx, u)
		if err == nil {
			return c.Close(ctx)
		}
		select {
		case <-ctx.Done():
			return err
		case <-time.After(pollEvery):
		}
	}
}

// databases numbers the databases of this process.
var databases atomic.Int64

// Database makes a new, empty database on a server and gives its URL.
func Database(t testing.TB, serverURL string) string {
	t.Helper()
	ctx := context.Background()
	c, err := pgx.Connect(ctx, serverURL)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close(ctx)
	name := fmt.Sprintf("test_%d_%d", os.Getpid(), databases.Add(1))
	if _, err := c.Exec(ctx, "create database "+name); err != nil {
		t.Fatal(err)
	}
	u, err := url.Parse(serverURL)
	if err != nil {
		t.Fatal(err)
	}
	u.Path = "/" + name
	return u.String()
}

// Socket rewrites a URL of Start to go through the server's socket, as a service on the same machine would.
func Socket(t testing.TB, tcpURL string) string {
	t.Helper()
	c, err := pgx.Connect(context.Background(), tcpURL)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close(context.Background())
	var dir string
	if err := c.QueryRow(context.Background(), "select current_setting('unix_socket_directories')").Scan(&dir); err != nil {
		t.Fatal(err)
	}
	u, err := url.Parse(tcpURL)
	if err != nil {
		t.Fatal(err)
	}
	q := u.Query()
	q.Set("host", strings.TrimSpace(dir))
	q.Set("port", u.Port())
	u.Host, u.RawQuery = "", q.Encode()
	return u.String()
}
