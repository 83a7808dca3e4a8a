package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"

	"gaussline/adapters/access"
)

const (
	size      = 3 // brokers and nodes
	readyWait = 60 * time.Second
	pollEvery = 50 * time.Millisecond
)

// Cluster is three brokers, a database and three nodes on this machine.
type Cluster struct {
	Dir, Binary, Self   string // folder for everything; the service's program; this program
	Endpoint            string // FHIR endpoint of the radiology site "north"; "" none
	Labelling, Scanners string // files; "" none
	Token               string // of the sender "hillside"; made by Start
	Watch               string // token that reads /metrics; made by Start

	brokers, nodes           [size]*process
	database                 *process
	clients, monitors, https []int
	pgPort                   int
}

// Start starts everything and waits until every node says that it is ready.
func (c *Cluster) Start(ctx context.Context) error {
	if err := os.Chmod(c.Dir, 0o755); err != nil { // the database's user must reach its own folder
		return err
	}
	ports, err := freePorts(4*size + 1)
	if err != nil {
		return err
	}
	routes := ports[:size]
	c.clients, c.monitors, c.https, c.pgPort = ports[size:2*size], ports[2*size:3*size], ports[3*size:4*size], ports[4*size]
	c.Token, c.Watch = access.NewToken(), access.NewToken()
	if err := c.startDatabase(ctx); err != nil {
		return err
	}
	var urls []string
	for _, p := range routes {
		urls = append(urls, fmt.Sprintf("nats://%s:%d", loopback, p))
	}
	for i := range size {
		name := fmt.Sprint("broker-", i)
		c.brokers[i] = &process{name: name, log: filepath.Join(c.Dir, name+".log"), args: []string{c.Self, brokerArg, "--name", name,
			"--dir", filepath.Join(c.Dir, name), "--client", strconv.Itoa(c.clients[i]), "--route", strconv.Itoa(routes[i]),
			"--monitor", strconv.Itoa(c.monitors[i]), "--routes", strings.Join(urls, ",")}}
		if err := c.brokers[i].start(); err != nil {
			return err
		}
	}
	for i := range size {
		if err := c.BrokerReady(ctx, i); err != nil {
			return err
		}
	}
	for i := range size {
		if err := c.startNode(i); err != nil {
			return err
		}
		if err := c.NodeReady(ctx, i); err != nil { // one after the other: the first makes streams and tables
			return err
		}
	}
	return nil
}

// Stop ends everything, nodes first.
func (c *Cluster) Stop() {
	for _, group := range [][]*process{c.nodes[:], c.brokers[:]} {
		for _, p := range group {
			if p != nil {
				p.stop(syscall.SIGTERM)
			}
		}
	}
	if c.database != nil {
		c.database.stop(syscall.SIGINT) // "fast": sessions are ended
	}
}

func (c *Cluster) startDatabase(ctx context.Context) error {
	initdb, err1 := pgTool("initdb")
	postgres, err2 := pgTool("postgres")
	if err1 != nil || err2 != nil {
		return fmt.Errorf("PostgreSQL is needed: %w", err1)
	}
	dir := filepath.Join(c.Dir, "postgres")
	if err := os.Mkdir(dir, 0o700); err != nil {
		return err
	}
	cred, err := pgUser(dir)
	if err != nil {
		return err
	}
	data := filepath.Join(dir, "data")
	init := exec.CommandContext(ctx, initdb, "-D", data, "-U", "gaussline", "-A", "trust", "-E", "UTF8", "--locale=C")
	init.Dir, init.SysProcAttr = dir, &syscall.SysProcAttr{Credential: cred}
	if out, err := init.CombinedOutput(); err != nil {
		return fmt.Errorf("initdb: %w: %s", err, out)
	}
	c.database = &process{name: "postgres", log: filepath.Join(c.Dir, "postgres.log"), dir: dir, cred: cred, args: []string{postgres, "-D", data,
		"-k", "", "-p", strconv.Itoa(c.pgPort), "-c", "listen_addresses=" + loopback, "-c", "max_connections=100"}}
	if err := c.database.start(); err != nil {
		return err
	}
	return c.DatabaseReady(ctx)
}

func (c *Cluster) startNode(i int) error {
	name := fmt.Sprint("node-", i)
	dir := filepath.Join(c.Dir, name)
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	var monitors []string
	for _, p := range c.monitors {
		monitors = append(monitors, fmt.Sprintf("http://%s:%d", loopback, p))
	}
	config := filepath.Join(dir, "gaussline.yaml")
	text := fmt.Sprintf(`data_dir: data
http: {listen: "%s:%d"}
stream: {url: %q, monitor: %q, replicas: %d}
store: {url_file: postgres.url}
senders: [{name: hillside, base_url: "http://ehr.hillside.invalid/fhir", token_sha256: %s}]
readers: [{name: watch, role: operator, token_sha256: %s}]
sites: [{name: north, match: ["North Imaging"], fhir_endpoint: %q}]
fallback_site: north
mr: {labelling: [%s], scanners: %q}
log_level: warn
`, loopback, c.https[i], c.BrokerURLs(), strings.Join(monitors, ","), size, access.HashToken(c.Token), access.HashToken(c.Watch), c.Endpoint, quoted(c.Labelling), c.Scanners)
	for file, body := range map[string]string{config: text, filepath.Join(dir, "postgres.url"): c.DatabaseURL()} {
		if err := os.WriteFile(file, []byte(body), 0o600); err != nil {
			return err
		}
	}
	c.nodes[i] = &process{name: name, log: filepath.Join(c.Dir, name+".log"), args: []string{c.Binary, "serve", "--config", config}}
	return c.nodes[i].start()
}

func quoted(s string) string {
	if s == "" {
		return ""
	}
	return strconv.Quote(s)
}

// BrokerURLs gives the addresses of the brokers, comma separated.
func (c *Cluster) BrokerURLs() string {
	var out []string
	for _, p := range c.clients {
		out = append(out, fmt.Sprintf("nats://%s:%d", loopback, p))
	}
	return strings.Join(out, ",")
}

// DatabaseURL gives the address of the database.
func (c *Cluster) DatabaseURL() string {
	return fmt.Sprintf("postgres://gaussline@%s:%d/postgres?sslmode=disable", loopback, c.pgPort)
}

// URLs gives the address of each node.
func (c *Cluster) URLs() (out []string) {
	for _, p := range c.https {
		out = append(out, fmt.Sprintf("http://%s:%d", loopback, p))
	}
	return out
}

// DatabaseReady waits until the database answers.
func (c *Cluster) DatabaseReady(ctx context.Context) error {
	return wait(ctx, c.database, func(ctx context.Context) error {
		conn, err := pgx.Connect(ctx, c.DatabaseURL())
		if err == nil {
			err = conn.Close(ctx)
		}
		return err
	})
}

// BrokerReady waits until a broker knows its leader.
func (c *Cluster) BrokerReady(ctx context.Context, i int) error {
	return wait(ctx, c.brokers[i], func(ctx context.Context) error {
		return get(ctx, fmt.Sprintf("http://%s:%d/healthz", loopback, c.monitors[i]), nil)
	})
}

// NodeReady waits until a node keeps and commits messages.
func (c *Cluster) NodeReady(ctx context.Context, i int) error {
	return wait(ctx, c.nodes[i], c.ask(i))
}

// NodeBack waits until a node that a supervisor starts again is ready.
func (c *Cluster) NodeBack(ctx context.Context, i int) error { return wait(ctx, nil, c.ask(i)) }

func (c *Cluster) ask(i int) func(context.Context) error {
	return func(ctx context.Context) error { return get(ctx, c.URLs()[i]+"/readyz", nil) }
}

// Leader gives the number of the broker that leads a stream.
func (c *Cluster) Leader(ctx context.Context, stream string) (int, error) {
	var jsz struct {
		Accounts []struct {
			Streams []struct {
				Name    string `json:"name"`
				Cluster struct {
					Leader string `json:"leader"`
				} `json:"cluster"`
			} `json:"stream_detail"`
		} `json:"account_details"`
	}
	for _, port := range c.monitors {
		if get(ctx, fmt.Sprintf("http://%s:%d/jsz?streams=true", loopback, port), &jsz) != nil {
			continue
		}
		for _, a := range jsz.Accounts {
			for _, s := range a.Streams {
				for i, b := range c.brokers {
					if s.Name == stream && s.Cluster.Leader == b.name {
						return i, nil
					}
				}
			}
		}
	}
	return 0, fmt.Errorf("no broker knows who leads %s", stream)
}

// wait polls until ask succeeds, the process (if any) ends, or readyWait is over.
func wait(ctx context.Context, p *process, ask func(context.Context) error) error {
	ctx, cancel := context.WithTimeout(ctx, readyWait)
	defer cancel()
	ended, name, log := make(<-chan struct{}), "it", func() string { return "" }
	if p != nil {
		ended, name, log = p.ended(), p.name, p.tail
	}
	for {
		err := ask(ctx)
		if err == nil {
			return nil
		}
		select {
		case <-ended:
			return fmt.Errorf("%s ended:\n%s", name, log())
		case <-ctx.Done():
			return fmt.Errorf("%s is not ready: %w\n%s", name, err, log())
		case <-time.After(pollEvery):
		}
	}
}

const maxAnswer = 1 << 20

func get(ctx context.Context, url string, into any) error {
	ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, url, nil)
	if err != nil {
		return err
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	b, err := io.ReadAll(io.LimitReader(res.Body, maxAnswer))
	switch {
	case err != nil:
		return err
	case res.StatusCode != http.StatusOK:
		return fmt.Errorf("%s answered %s: %s", url, res.Status, b[:min(len(b), 200)])
	case into == nil:
		return nil
	}
	return json.Unmarshal(b, into)
}
