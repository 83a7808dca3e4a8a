// Package cases holds the invented stories: one patient a file, messages in and the answers that a person has read.
// The demonstration runs on them and the tests hold the service to them.
package cases

import (
	"embed"
	"io/fs"
	"path"
	"strings"

	"github.com/rogpeppe/go-internal/txtar"
)

//go:embed *.txtar
var files embed.FS

// Message is one thing that a story's sender sends.
type Message struct {
	Sender string
	Name   string // what it is, from the file name
	Body   []byte
}

// Story is one patient's.
type Story struct {
	Name     string
	About    string
	Messages []Message
	Want     map[string]string // expected answers by file name
}

// All gives the stories in order of name.
func All() ([]Story, error) {
	names, err := fs.Glob(files, "*.txtar")
	if err != nil {
		return nil, err
	}
	var out []Story
	for _, n := range names {
		b, err := files.ReadFile(n)
		if err != nil {
			return nil, err
		}
		out = append(out, parse(strings.TrimSuffix(n, ".txtar"), txtar.Parse(b)))
	}
	return out, nil
}

// parse reads a story: in/02-hillside-implant.json is the second message, sent by hillside.
func parse(name string, a *txtar.Archive) Story {
	about, _, _ := strings.Cut(string(a.Comment), "\n")
	s := Story{Name: name, About: about, Want: map[string]string{}}
	for _, f := range a.Files {
		if !strings.HasPrefix(f.Name, "in/") {
			s.Want[f.Name] = string(f.Data)
			continue
		}
		words := strings.SplitN(strings.TrimSuffix(path.Base(f.Name), ".json"), "-", 3)
		s.Messages = append(s.Messages, Message{Sender: words[1], Name: words[2], Body: f.Data})
	}
	return s
}
