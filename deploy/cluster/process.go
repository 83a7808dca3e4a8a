package main

import (
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"runtime"
	"strconv"
	"sync"
	"syscall"
	"time"
)

const (
	loopback = "127.0.0.1"
	stopWait = 25 * time.Second // a node finishes its batch; then it is killed
)

// process is a child that can be stopped, killed and started again.
type process struct {
	name string
	args []string
	env  []string
	dir  string
	log  string // file that takes its output
	cred *syscall.Credential

	mu   sync.Mutex
	cmd  *exec.Cmd
	gone chan struct{}
}

// spawn runs starts on one thread that never ends: the kernel ends a child with the thread that started it, which is
// how no child outlives this program.
var spawn = func() func(func() error) error {
	type job struct {
		f    func() error
		done chan error
	}
	jobs := make(chan job)
	var once sync.Once
	return func(f func() error) error {
		once.Do(func() {
			go func() {
				runtime.LockOSThread()
				for j := range jobs {
					j.done <- j.f()
				}
			}()
		})
		j := job{f, make(chan error, 1)}
		jobs <- j
		return <-j.done
	}
}()

func (p *process) start() error {
	out, err := os.OpenFile(p.log, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o644)
	if err != nil {
		return err
	}
	defer out.Close()
	cmd := exec.Command(p.args[0], p.args[1:]...)
	cmd.Dir, cmd.Stdout, cmd.Stderr = p.dir, out, out
	cmd.Env = append(os.Environ(), p.env...)
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true, Pdeathsig: syscall.SIGKILL, Credential: p.cred}
	if err := spawn(cmd.Start); err != nil {
		return fmt.Errorf("%s: %w", p.name, err)
	}
	gone := make(chan struct{})
	go func() {
		_ = cmd.Wait() // how it ended is in its log
		close(gone)
	}()
	p.mu.Lock()
	defer p.mu.Unlock()
	p.cmd, p.gone = cmd, gone
	return nil
}

// ended is closed when the process that was started last is gone.
func (p *process) ended() <-chan struct{} {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.gone
}

// kill ends the process, and what it started, without warning.
func (p *process) kill() {
	p.mu.Lock()
	cmd, gone := p.cmd, p.gone
	p.mu.Unlock()
	if cmd == nil {
		return
	}
	_ = syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL)
	<-gone
}

// stop asks the process to end, and kills it when it does not.
func (p *process) stop(sig syscall.Signal) {
	p.mu.Lock()
	cmd, gone := p.cmd, p.gone
	p.mu.Unlock()
	if cmd == nil {
		return
	}
	_ = cmd.Process.Signal(sig)
	t := time.NewTimer(stopWait)
	defer t.Stop()
	select {
	case <-gone:
	case <-t.C:
		p.kill()
	}
}

// tail gives the end of the process's log.
func (p *process) tail() string {
	b, _ := os.ReadFile(p.log)
	return string(b[max(0, len(b)-2000):])
}

// freePorts gives n ports that nobody listens on now.
func freePorts(n int) (out []int, err error) {
	for range n {
		l, err := net.Listen("tcp", loopback+":0")
		if err != nil {
			return nil, err
		}
		defer l.Close() // all are held until all are found, so that they differ
		out = append(out, l.Addr().(*net.TCPAddr).Port)
	}
	return out, nil
}

// pgTool finds a program of PostgreSQL, in the path or where Debian keeps it.
func pgTool(name string) (string, error) {
	if found, _ := filepath.Glob("/usr/lib/postgresql/*/bin/" + name); len(found) > 0 {
		return found[len(found)-1], nil
	}
	p, err := exec.LookPath(name)
	if err != nil {
		return "", fmt.Errorf("%w (Debian: apt-get install postgresql)", err)
	}
	return p, nil
}

// pgUser gives whom PostgreSQL runs as: it refuses root.
func pgUser(dir string) (*syscall.Credential, error) {
	if os.Getuid() != 0 {
		return nil, nil
	}
	for _, name := range []string{"postgres", "nobody"} {
		u, err := user.Lookup(name)
		if err != nil {
			continue
		}
		uid, err1 := strconv.ParseUint(u.Uid, 10, 32)
		gid, err2 := strconv.ParseUint(u.Gid, 10, 32)
		return &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}, errors.Join(err1, err2, os.Chown(dir, int(uid), int(gid)))
	}
	return nil, errors.New("PostgreSQL does not run as root, and there is neither a user postgres nor nobody")
}
