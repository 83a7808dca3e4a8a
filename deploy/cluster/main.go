// Command cluster runs a whole cluster on one machine: three brokers, PostgreSQL and three nodes of the service, on
// free ports of the loopback, in a temporary folder, until it is interrupted. It is for trying and testing; an
// installation uses the manifests beside it.
//
//	go build -o gaussline ./cmd/gaussline && go run ./deploy/cluster --gaussline ./gaussline
package main

import (
	"context"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"syscall"
)

func main() {
	if len(os.Args) > 1 && os.Args[1] == brokerArg {
		if err := broker(os.Args[2:]); err != nil {
			fmt.Fprintln(os.Stderr, "broker:", err)
			os.Exit(1)
		}
		return
	}
	if err := run(); err != nil {
		fmt.Fprintln(os.Stderr, "cluster:", err)
		os.Exit(1)
	}
}

func run() error {
	binary := flag.String("gaussline", "", "the gaussline program; default: beside this one, or in the path")
	labelling := flag.String("labelling", "", "labelling file")
	scanners := flag.String("scanners", "", "scanners file")
	endpoint := flag.String("endpoint", "", "FHIR endpoint of the one radiology site; empty: banners leave on the broker only")
	flag.Parse()
	path, err := findBinary(*binary)
	if err != nil {
		return err
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	dir, err := os.MkdirTemp("", "gaussline-cluster")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	self, err := os.Executable()
	if err != nil {
		return err
	}
	c := &Cluster{Dir: dir, Binary: path, Self: self, Endpoint: *endpoint}
	for _, p := range []struct{ from, to *string }{{labelling, &c.Labelling}, {scanners, &c.Scanners}} {
		if *p.from != "" {
			if *p.to, err = filepath.Abs(*p.from); err != nil {
				return err
			}
		}
	}
	defer c.Stop()
	if err := c.Start(ctx); err != nil {
		return err
	}
	fmt.Printf("brokers    %s\npostgres   %s\nsender     hillside, token %s\nmetrics    token %s\n", c.BrokerURLs(), c.DatabaseURL(), c.Token, c.Watch)
	for _, u := range c.URLs() {
		fmt.Println("node      ", u)
	}
	fmt.Println("Ctrl-C stops everything and removes", dir)
	<-ctx.Done()
	return nil
}

func findBinary(given string) (string, error) {
	if given != "" {
		return filepath.Abs(given)
	}
	if self, err := os.Executable(); err == nil {
		if p := filepath.Join(filepath.Dir(self), "gaussline"); isFile(p) {
			return p, nil
		}
	}
	p, err := exec.LookPath("gaussline")
	if err != nil {
		return "", fmt.Errorf("%w: build it with go build ./cmd/gaussline and name it with --gaussline", err)
	}
	return p, nil
}

func isFile(path string) bool {
	st, err := os.Stat(path)
	return err == nil && st.Mode().IsRegular()
}
