package pages

import (
	"bytes"
	"embed"
	"fmt"
	"html/template"
	"io/fs"
	"net/http"
	"path"
	"regexp"
	"strings"

	"gaussline/adapters/access"
	"gaussline/mapping/banner"
	"gaussline/mapping/implant"
	"gaussline/mapping/mri"
)

//go:embed templates/*.html static/*
var files embed.FS

// staticFiles serves the style sheet.
func staticFiles() http.Handler {
	h := http.FileServerFS(files)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if strings.HasSuffix(r.URL.Path, "/") { // no listings
			http.NotFound(w, r)
			return
		}
		w.Header().Set("Cache-Control", "max-age=3600")
		h.ServeHTTP(w, r)
	})
}

// views are the parsed templates, one set a page.
type views struct{ byName map[string]*template.Template }

func parseViews() (*views, error) {
	names, err := fs.Glob(files, "templates/*.html")
	if err != nil {
		return nil, err
	}
	v := &views{map[string]*template.Template{}}
	for _, n := range names {
		name := strings.TrimSuffix(path.Base(n), ".html")
		if name == "layout" || name == "parts" {
			continue
		}
		t, err := template.New("layout.html").Funcs(words).ParseFS(files, "templates/layout.html", "templates/parts.html", n)
		if err != nil {
			return nil, err
		}
		v.byName[name] = t
	}
	return v, nil
}

// words are what templates may call.
var words = template.FuncMap{
	"day": shortDay, "partLine": banner.PartLine, "state": banner.State, "kindName": banner.KindName,
	"question": func(c implant.QuestionCode) string { return banner.QuestionText(c) },
	"headline": func(k string) string { return banner.Headline(mri.Kind(k)) },
	"meaning":  func(k string) string { return banner.Meaning(mri.Kind(k)) },
	"known": func(s any) string {
		if t := fmt.Sprint(s); t != "" {
			return t
		}
		return "not known"
	},
	"inSI":   inSI,
	"source": sourceName,
	"say":    say,
}

// inSI puts a printed number in the SI unit, so that numbers of one column can be compared; what cannot be read is
// shown as printed.
func inSI(unit mri.Dimension, printed string) string {
	if q, err := mri.ParseQuantity(printed, unit); err == nil {
		return q.Words()
	}
	return printed
}

var dates = regexp.MustCompile(`\d{4}-\d{2}(-\d{2})?`)

// say escapes a line and keeps its dates from being broken in two at the end of a line.
func say(s any) template.HTML {
	return template.HTML(dates.ReplaceAllString(template.HTMLEscapeString(fmt.Sprint(s)), `<span class="nb">$0</span>`)) // escaped just before
}

// shortDay shortens an instant to its day; other precisions stand as stated.
func shortDay(w implant.When) string {
	if !w.Known() {
		return "not known"
	}
	if w.DayPrecise() {
		return string(w[:10])
	}
	return string(w)
}

// sourceName names a source for a reader: who sent it and which resource.
func sourceName(s implant.Source) string {
	sender, name, ok := strings.Cut(s.Key, "|")
	if !ok {
		return s.Key
	}
	if s.Version != "" {
		name += " version " + s.Version
	}
	return name + " from " + sender
}

// link is an entry of the navigation.
type link struct {
	Path, Text string
	Here       bool
}

// layout is what every page has.
type layout struct {
	Title  string
	Person access.Person
	Nav    []link
	Data   any
}

var menu = []struct {
	right      access.Right
	path, text string
}{
	{access.SeeOrders, "/worklist", "MR worklist"},
	{access.SeeRecords, "/records", "Implant records"},
	{access.Review, "/review", "Review"},
	{access.SeeTrace, "/trace", "Trace"},
	{access.SeeMonths, "/months", "Registry months"},
	{access.SeeLabelling, "/labelling", "Labelling"},
	{access.SeeRejects, "/operations", "Operations"},
	{access.ManagePeople, "/people", "People"},
	{access.SeeAudit, "/audit", "Audit"},
}

func (c *call) nav() (out []link) {
	for _, m := range menu {
		if c.person.May(m.right) {
			here := c.r.URL.Path == m.path || strings.HasPrefix(c.r.URL.Path, m.path+"/") || m.path == "/months" && strings.HasPrefix(c.r.URL.Path, "/reports") || m.path == "/worklist" && strings.HasPrefix(c.r.URL.Path, "/orders/")
			out = append(out, link{m.path, m.text, here})
		}
	}
	return out
}

// show renders a page whole before the first byte is sent.
func (c *call) show(name string, status int, title string, data any) error {
	t, ok := c.views.byName[name]
	if !ok {
		return fmt.Errorf("no template %s", name)
	}
	var b bytes.Buffer
	if err := t.Execute(&b, layout{Title: title, Person: c.person, Nav: c.nav(), Data: data}); err != nil {
		return err
	}
	c.w.Header().Set("Content-Type", "text/html; charset=utf-8")
	c.w.WriteHeader(status)
	_, _ = b.WriteTo(c.w) // the reader is gone
	return nil
}

func (c *call) showError(status int, title, text string) {
	if err := c.show("error", status, title, text); err != nil {
		http.Error(c.w, title+"\n"+text, status)
	}
}

// section is a titled list of the note's plain text.
type section struct {
	Title string
	Lines []string
}

// sections cuts the plain text of a note at its titles, so that page and note say the same in the same words. The
// headline and what it means are not among them.
func sections(plain string) (intro []string, out []section) {
	for i, l := range strings.Split(strings.TrimRight(plain, "\n"), "\n") {
		item, isItem := strings.CutPrefix(l, "- ")
		switch {
		case i < 2:
		case isItem && len(out) > 0:
			out[len(out)-1].Lines = append(out[len(out)-1].Lines, item)
		case strings.HasSuffix(l, ":"):
			out = append(out, section{Title: strings.TrimSuffix(l, ":")})
		default:
			intro = append(intro, l)
		}
	}
	return intro, out
}
