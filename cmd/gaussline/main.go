// Command gaussline is the service and its tools in one binary: it reads the configuration, plugs the edges into
// the pipeline, runs, and prints. It holds no rule.
package main

import (
	"context"
	"os"
	"os/signal"
	"runtime/debug"
	"syscall"
)

// gcPercent trades memory for the time of collecting it; decoding makes much short-lived garbage. GOGC stands above it.
const gcPercent = 200

func main() {
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(gcPercent)
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	os.Exit(run(ctx, os.Args[1:], os.Getenv, os.Stdout, os.Stderr))
}
