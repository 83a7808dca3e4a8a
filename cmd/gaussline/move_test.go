package main

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5"

	"gaussline/adapters/access"
	"gaussline/adapters/store"
	"gaussline/adapters/store/pgtest"
)

// runProgram runs the binary and gives what it printed; ok says whether it must succeed.
func runProgram(t *testing.T, ok bool, args ...string) (out, errOut string) {
	t.Helper()
	var o, e bytes.Buffer
	cmd := exec.CommandContext(t.Context(), os.Args[0], args...)
	cmd.Env, cmd.Stdout, cmd.Stderr = append(os.Environ(), asProgram+"=1"), &o, &e
	if err := cmd.Run(); (err == nil) != ok {
		t.Fatalf("gaussline %v: %v\n%s%s", args, err, &o, &e)
	}
	return o.String(), e.String()
}

var asOf = regexp.MustCompile(`As of [0-9: -]+ UTC`)

// askStore gives what a store says to those who ask at the command line, but for the moment of asking.
func askStore(t *testing.T, config string) string {
	t.Helper()
	const why = "invented, for a test"
	var all strings.Builder
	for _, args := range [][]string{
		{"verdicts"}, {"deliveries"}, {"check-store"},
		{"rejected", "list", "--reason", why}, {"questions", "list", "--reason", why},
		{"record", "--reason", why, "hillside|Patient/p03"},
		{"record", "--reason", why, "id:http://hillside.invalid/mrn|H-0007"},
		{"explain", "--reason", why, "--patient", "hillside|Patient/p05", "--order", "hillside|ServiceRequest/e-mr"},
	} {
		out, _ := runProgram(t, true, append([]string{args[0], "--config", config}, args[1:]...)...)
		all.WriteString(strings.Join(args, " ") + "\n" + asOf.ReplaceAllString(out, "As of now"))
	}
	return all.String()
}

// The demonstration's store is moved to PostgreSQL by the binary; afterwards it says the same, and goes on from there.
// A database that has something in it, or does not keep what it is given, is refused and keeps nothing.
func TestMoveStoreEndToEnd(t *testing.T) {
	if testing.Short() {
		t.Skip("starts a server and some thirty processes")
	}
	server := pgtest.Start(t)
	dir := filepath.Join(t.TempDir(), "demo")
	runProgram(t, true, "demo", "--dir", dir)
	from := filepath.Join(dir, "gaussline.yaml")
	text, err := os.ReadFile(from)
	if err != nil {
		t.Fatal(err)
	}
	token := access.NewToken()
	mine := regexp.MustCompile(`token_sha256: [0-9a-f]+`)
	at := mine.FindIndex(text) // hillside's
	// on writes a configuration beside the first that has its store in a PostgreSQL database.
	on := func(name, url string) string {
		path := filepath.Join(dir, name+".yaml")
		changed := string(text[:at[0]]) + "token_sha256: " + access.HashToken(token) + string(text[at[1]:]) + "store: {url_file: " + name + ".url}\n"
		changed = strings.Replace(changed, "127.0.0.1:8480", "127.0.0.1:0", 1)
		for path, body := range map[string]string{path: changed, filepath.Join(dir, name+".url"): url + "\n"} {
			if err := os.WriteFile(path, []byte(body), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		return path
	}

	good := on("good", pgtest.Database(t, server))
	out, _ := runProgram(t, true, "move-store", "--from", from, "--to", good)
	for _, table := range store.Tables() {
		if !regexp.MustCompile(`(?m)^` + table.Name + ` .* the same on both sides$`).MatchString(out) {
			t.Errorf("nothing is said of %s:\n%s", table.Name, out)
		}
	}
	before := askStore(t, from)
	if after := askStore(t, good); after != before {
		t.Errorf("the stores do not say the same:\n%s\n--- PostgreSQL ---\n%s", before, after)
	}

	served := startChild(t, good)
	defer served.kill()
	if err := post(t.Context(), served.url, token, anotherOrder(t)); err != nil {
		t.Fatal(err)
	}
	for out := ""; !strings.Contains(out, "a-mr-traced"); { // until the test's deadline
		out, _ = runProgram(t, true, "verdicts", "--config", good)
	}
	if out, _ := runProgram(t, true, "check-store", "--config", good); !strings.Contains(out, "nothing wrong found") {
		t.Errorf("after going on: %s", out)
	}

	_, said := runProgram(t, false, "move-store", "--from", from, "--to", good)
	if !strings.Contains(said, "the database is not empty: messages") || !strings.Contains(said, "hint: nothing was kept") {
		t.Errorf("into a database in use: %s", said)
	}
	refusesDamage(t, from, on("bent", pgtest.Database(t, server)))
}

// refusesDamage moves into a database that changes a byte of what it is given, and out of a store in which one is
// changed.
func refusesDamage(t *testing.T, from, to string) {
	t.Helper()
	runProgram(t, true, "check-store", "--config", to) // makes the tables
	url, err := os.ReadFile(strings.TrimSuffix(to, ".yaml") + ".url")
	if err != nil {
		t.Fatal(err)
	}
	c, err := pgx.Connect(t.Context(), strings.TrimSpace(string(url)))
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close(t.Context())
	_, err = c.Exec(t.Context(), `create function bend() returns trigger language plpgsql as
		'begin new.body := set_byte(new.body, 9, get_byte(new.body, 9) # 1); return new; end';
		create trigger bend before insert on verdicts for each row execute function bend()`)
	if err != nil {
		t.Fatal(err)
	}
	_, said := runProgram(t, false, "move-store", "--from", from, "--to", to)
	var kept int
	if err := c.QueryRow(t.Context(), "select (select count(*) from messages) + (select count(*) from verdicts)").Scan(&kept); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(said, "move verdicts: the copy differs") || kept != 0 {
		t.Errorf("into a database that bends: %s; %d rows kept", said, kept)
	}

	path := filepath.Join(filepath.Dir(from), "data", "store", "gaussline.db")
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	i := bytes.Index(b, []byte(`"family": "Alderwick"`)) // as received: nothing else in the store has the blank
	if i < 0 {
		t.Fatal("the name is not in the store")
	}
	b[i+len(`"family": "`)] ^= 1
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
	_, said = runProgram(t, false, "move-store", "--from", from, "--to", to)
	if !strings.Contains(said, "the embedded store is damaged") || !strings.Contains(said, "its bytes are not those that were received") {
		t.Errorf("out of a damaged store: %s", said)
	}
}
