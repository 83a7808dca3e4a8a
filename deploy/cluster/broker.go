package main

import (
	"flag"
	"fmt"
	"net/url"
	"os"
	"os/signal"
	"strings"
	"syscall"
	"time"

	"github.com/nats-io/nats-server/v2/server"
)

// brokerArg makes this program one broker of the cluster: a process of its own, so that it can be killed alone.
const brokerArg = "broker"

const (
	brokerStart = 20 * time.Second
	maxPayload  = 8 << 20 // above the service's largest message, 4 MiB
)

// broker runs one server of the cluster until it is told to stop.
func broker(args []string) error {
	fs := flag.NewFlagSet(brokerArg, flag.ContinueOnError)
	name := fs.String("name", "", "")
	dir := fs.String("dir", "", "")
	client := fs.Int("client", 0, "")
	route := fs.Int("route", 0, "")
	monitor := fs.Int("monitor", 0, "")
	routes := fs.String("routes", "", "")
	if err := fs.Parse(args); err != nil {
		return err
	}
	var others []*url.URL
	for _, r := range strings.Split(*routes, ",") {
		u, err := url.Parse(r)
		if err != nil {
			return err
		}
		others = append(others, u)
	}
	s, err := server.NewServer(&server.Options{
		ServerName: *name, Host: loopback, Port: *client, HTTPHost: loopback, HTTPPort: *monitor, NoSigs: true,
		JetStream: true, StoreDir: *dir, MaxPayload: maxPayload,
		SyncAlways: true, // or it acknowledges what a power cut loses
		Cluster:    server.ClusterOpts{Name: "gaussline", Host: loopback, Port: *route, NoAdvertise: true}, Routes: others,
	})
	if err != nil {
		return err
	}
	s.Start()
	if !s.ReadyForConnections(brokerStart) {
		return fmt.Errorf("not ready after %s", brokerStart)
	}
	stop := make(chan os.Signal, 1)
	signal.Notify(stop, os.Interrupt, syscall.SIGTERM)
	<-stop
	s.Shutdown()
	s.WaitForShutdown()
	return nil
}
