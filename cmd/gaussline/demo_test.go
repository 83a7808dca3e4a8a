package main

import (
	"bytes"
	"context"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"
)

// A folder that is being served is not emptied under the service; when it stops the folder is free again.
func TestDemoLeavesWhatIsServed(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "demo")
	if _, err := demoFolder(dir); err != nil {
		t.Fatal(err)
	}
	config := filepath.Join(dir, "gaussline.yaml")
	cfg, err := loadConfig(config, func(string) string { return "" })
	if err != nil {
		t.Fatal(err)
	}
	a, err := openApp(t.Context(), cfg, zap.NewNop(), func() time.Time { return demoDay }, true)
	if err != nil {
		t.Fatal(err)
	}
	before, err := os.ReadFile(config)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := demoFolder(dir); err == nil || !strings.Contains(err.Error(), "being served") {
		t.Errorf("a folder in use: %v", err)
	}
	if after, err := os.ReadFile(config); err != nil || !bytes.Equal(before, after) {
		t.Errorf("the folder in use was changed: %v", err)
	}
	if err := a.close(t.Context()); err != nil {
		t.Fatal(err)
	}
	if _, err := demoFolder(dir); err != nil {
		t.Errorf("after it stopped: %v", err)
	}
}

// An address that is taken is told before the demonstration runs, with the option that names another.
func TestDemoSaysThatTheAddressIsTaken(t *testing.T) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	var out, errOut bytes.Buffer
	dir := filepath.Join(t.TempDir(), "demo")
	code := run(context.Background(), []string{"demo", "--serve", "--dir", dir, "--listen", ln.Addr().String()}, func(string) string { return "" }, &out, &errOut)
	if code != exitFailed || !strings.Contains(errOut.String(), "--listen HOST:PORT") || out.Len() > 0 {
		t.Errorf("exit %d, %s%s", code, errOut.String(), out.String())
	}
	if _, err := os.Stat(dir); err == nil {
		t.Error("the folder was made all the same")
	}
}
