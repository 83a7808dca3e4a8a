package main

import (
	"bytes"
	"regexp"
	"slices"
	"strings"
	"testing"
)

var flagWord = regexp.MustCompile(`--[a-z0-9-]+`)

// Every command says what it takes, does and assumes: its line names each flag that it has, and no other. Our own rule.
func TestHelpOfEveryCommand(t *testing.T) {
	call := func(args ...string) (int, string) {
		var out, errOut bytes.Buffer
		rc := run(t.Context(), args, func(string) string { return "" }, &out, &errOut)
		if errOut.Len() > 0 {
			t.Errorf("%v writes to standard error: %s", args, errOut.String())
		}
		return rc, out.String()
	}
	for _, c := range commands() {
		t.Run(c.name, func(t *testing.T) {
			rc, text := call(c.name, "--help")
			if rc != exitDone {
				t.Fatalf("exit code %d", rc)
			}
			line, flags, _ := strings.Cut(text, "\nFlags:\n")
			if !strings.Contains(line, strings.TrimSpace("gaussline "+c.name+" "+c.args)) || !strings.Contains(line, c.help) {
				t.Errorf("the arguments or what it does are missing:\n%s", text)
			}
			var listed []string
			for l := range strings.Lines(flags) {
				name := flagWord.FindString(l)
				listed = append(listed, name)
				if rest := strings.TrimPrefix(strings.TrimSpace(l), name); len(rest) < 10 {
					t.Errorf("%s is not explained: %q", name, l)
				}
			}
			named := flagWord.FindAllString(c.args, -1)
			for _, f := range listed {
				if !slices.Contains(named, f) {
					t.Errorf("%s is not in the line of the command: %s", f, c.args)
				}
			}
			for _, f := range named {
				if !slices.Contains(listed, f) {
					t.Errorf("%s is in the line of the command, and is no flag of it", f)
				}
			}
			if _, same := call("help", c.name); same != text {
				t.Errorf("help %s says something else:\n%s", c.name, same)
			}
		})
	}
}

func TestHelpHasDefaultsAndRefusesWhatIsNot(t *testing.T) {
	for _, c := range []struct {
		args []string
		rc   int
		says string
	}{
		{[]string{"demo", "--help"}, exitDone, "127.0.0.1:8480"},
		{[]string{"trace", "--help"}, exitDone, "(left out: 1000)"},
		{[]string{"read", "--help"}, exitDone, "procedure, discharge, clinic, imaging, unknown"},
		{[]string{"help", "scan"}, exitUsage, `no command "scan"`},
		{[]string{"token", "--colour"}, exitUsage, "colour"},
		{[]string{"version", "now"}, exitUsage, `takes no "now"`},
		{[]string{"read", "--type", "novel", "x.txt"}, exitUsage, "procedure, discharge, clinic, imaging, unknown"},
		{[]string{"close-month", "--config", "x", "--month", "2026-13"}, exitUsage, "want a month as YYYY-MM"},
		{[]string{"close-month", "--config", "x", "--month", "2026-10", "--skip-earlier", "2026-9"}, exitUsage, "want a month as YYYY-MM"},
	} {
		var out bytes.Buffer
		if rc := run(t.Context(), c.args, func(string) string { return "" }, &out, &out); rc != c.rc || !strings.Contains(out.String(), c.says) {
			t.Errorf("%v: exit code %d, wanted %d and %q:\n%s", c.args, rc, c.rc, c.says, out.String())
		}
	}
}

func TestMonthsNamed(t *testing.T) {
	for s, want := range map[string]string{"": "", "2026-09": "2026-09", "2026-08,2026-09": "2026-08,2026-09", "2026-09, 2026-08": "2026-08,2026-09",
		"2025-11..2026-02": "2025-11..2026-02", "2026-01,2025-11..2025-12,2026-02": "2025-11..2026-02", "2026-02..2026-01": ""} {
		got, err := monthsNamed(s)
		if err != nil || monthsText(got) != want {
			t.Errorf("%q is read as %v, %v; wanted %s", s, got, err, want)
		}
	}
	for _, s := range []string{"2026-13", "2026", "x..y", "2026-01..", "1900-01..9999-12"} {
		if got, err := monthsNamed(s); err == nil {
			t.Errorf("%q is read as %v", s, got)
		}
	}
}
