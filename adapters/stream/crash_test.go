package stream_test

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"gaussline/adapters/pipeline"
	"gaussline/adapters/stream"
	"gaussline/adapters/stream/streamtest"
)

const crashDir = "GAUSSLINE_STREAM_CRASH_DIR" // set in the child process only

// TestTrap6KilledWhileBatchesAreUnderWay kills a process that puts from 64 senders and counts afterwards: every Put
// that was answered nil is there, also when a batch was half written. This tests the process, not the power.
func TestTrap6KilledWhileBatchesAreUnderWay(t *testing.T) {
	cfg := stream.Config{Dir: t.TempDir(), MaxBytes: 256 << 20}
	if os.Getenv(crashDir) != "" {
		crashChild()
	}
	answered := map[string]bool{}
	for round, acks := range []int{1, 70, 333} {
		for _, id := range killAfter(t, cfg.Dir, round, acks) {
			answered[id] = true
		}
		b := streamtest.Open(t, cfg)
		if err := b.Close(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	b := streamtest.Open(t, cfg)
	n, err := b.Inbox().Backlog(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for range n {
		list, err := b.Inbox().Fetch(t.Context(), 1, 5*time.Second)
		if err != nil || len(list) != 1 {
			t.Fatalf("fetched %d: %v", len(list), err)
		}
		delete(answered, list[0].Message().ID)
		if err := list[0].Ack(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	if len(answered) != 0 {
		t.Fatalf("%d messages that were acknowledged are lost", len(answered))
	}
	t.Logf("kept %d", n)
}

// killAfter starts a child, kills it when it has reported that many acknowledgements, and gives all it reported.
func killAfter(t *testing.T, dir string, round, acks int) []string {
	t.Helper()
	child := exec.Command(os.Args[0], "-test.run", "^TestTrap6KilledWhileBatchesAreUnderWay$")
	child.Env = append(os.Environ(), crashDir+"="+dir, fmt.Sprintf("GAUSSLINE_STREAM_CRASH_ROUND=%d", round))
	pipe, err := child.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := child.Start(); err != nil {
		t.Fatal(err)
	}
	var ids []string
	lines := bufio.NewScanner(pipe)
	for lines.Scan() {
		id, ok := strings.CutPrefix(lines.Text(), "ack ")
		if !ok {
			t.Errorf("child: %s", lines.Text())
			continue
		}
		ids = append(ids, id)
		if len(ids) == acks {
			if err := child.Process.Kill(); err != nil {
				t.Fatal(err)
			}
		}
	}
	_ = child.Wait() // killed
	if len(ids) < acks {
		t.Fatalf("the child ended after %d acknowledgements", len(ids))
	}
	return ids
}

// crashChild puts until it is killed, and writes a line for each acknowledgement in one system call.
func crashChild() {
	b, err := stream.Open(context.Background(), stream.Config{Dir: os.Getenv(crashDir), MaxBytes: 256 << 20}, nil, time.Now)
	if err != nil {
		fmt.Println(err)
		os.Exit(1)
	}
	var n atomic.Int64
	for range 64 {
		go func() {
			for {
				body := fmt.Appendf(nil, "round %s message %d", os.Getenv("GAUSSLINE_STREAM_CRASH_ROUND"), n.Add(1))
				if err := b.Inbox().Put(context.Background(), pipeline.Message{Sender: "clinic-a", Body: body}); err != nil {
					fmt.Println(err)
					os.Exit(1)
				}
				_, _ = os.Stdout.WriteString("ack " + stream.MessageID("clinic-a", body) + "\n")
			}
		}()
	}
	<-time.After(time.Minute) // a parent that died does not leave us behind
	os.Exit(1)
}
