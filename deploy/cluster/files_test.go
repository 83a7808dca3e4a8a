package main

import (
	"bytes"
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"

	"github.com/nats-io/nats-server/v2/server"
	"go.yaml.in/yaml/v3"
)

// The broker's configuration, read by the broker itself, syncs before it acknowledges and takes the largest message.
func TestBrokerConfiguration(t *testing.T) {
	t.Setenv("SERVER_NAME", "broker-1")
	t.Setenv("ROUTES", "[nats://broker-0:6222, nats://broker-2:6222]")
	o, err := server.ProcessConfigFile("../nats.conf")
	if err != nil {
		t.Fatal(err)
	}
	if !o.SyncAlways || !o.JetStream || o.MaxPayload < 5<<20 || len(o.Routes) != 2 || o.ServerName != "broker-1" || o.Cluster.Name != "gaussline" || o.HTTPPort != 8222 {
		t.Errorf("sync always %v, JetStream %v, payload %d, %d routes, name %s", o.SyncAlways, o.JetStream, o.MaxPayload, len(o.Routes), o.ServerName)
	}
}

// documents reads every YAML document of a file.
func documents(t *testing.T, path string) (out []map[string]any) {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	d := yaml.NewDecoder(bytes.NewReader(b))
	for {
		var doc map[string]any
		err := d.Decode(&doc)
		if errors.Is(err, io.EOF) {
			return out
		}
		if err != nil {
			t.Fatalf("%s: %v", path, err)
		}
		out = append(out, doc)
	}
}

// The manifests are YAML, every object has a kind and a name, and what a compose service mounts or refers to is there.
func TestManifests(t *testing.T) {
	files, err := filepath.Glob("../kubernetes/*.yaml")
	if err != nil || len(files) == 0 {
		t.Fatalf("no manifests: %v", err)
	}
	for _, f := range files {
		for _, d := range documents(t, f) {
			meta, _ := d["metadata"].(map[string]any)
			if d["apiVersion"] == nil || d["kind"] == nil || meta["name"] == nil {
				t.Errorf("%s: an object without version, kind or name: %v", f, d)
			}
		}
	}
	compose := documents(t, "../compose.yaml")[0]
	services := compose["services"].(map[string]any)
	volumes := compose["volumes"].(map[string]any)
	for name, s := range services {
		s := s.(map[string]any)
		list, _ := s["volumes"].([]any)
		for _, v := range list {
			from, _, _ := bytes.Cut([]byte(v.(string)), []byte(":"))
			if from[0] == '.' {
				if _, err := os.Stat(filepath.Join("..", string(from))); err != nil {
					t.Errorf("%s mounts %v", name, err)
				}
			} else if _, ok := volumes[string(from)]; !ok {
				t.Errorf("%s mounts the volume %s, which is not there", name, from)
			}
		}
		needs, _ := s["depends_on"].([]any)
		for _, n := range needs {
			if services[n.(string)] == nil {
				t.Errorf("%s needs %v, which is not there", name, n)
			}
		}
	}
}
