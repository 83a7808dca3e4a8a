package main

import (
	"crypto/ed25519"
	"crypto/rand"
	"crypto/x509"
	"encoding/pem"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"gaussline/adapters/pipeline"
	"gaussline/mapping/implant"
)

// site is the running scenario in a browser.
type site struct {
	*running
	*chromium
	ours *authority
}

func (s *site) recordPage(patient string) string {
	o, err := s.office(s.chromium.t.Context())
	s.ok(err)
	rec, err := s.service.RecordAsOf(s.chromium.t.Context(), patient, time.Time{}, time.Time{})
	s.ok(err)
	return "/records/" + o.seal.ID("record", rec.Patient)
}

func (s *site) orderPage(order string) string {
	o, err := s.office(s.chromium.t.Context())
	s.ok(err)
	return "/orders/" + o.seal.ID("order", order)
}

func (s *site) questions(patient string) []implant.Question {
	rec, err := s.service.RecordAsOf(s.chromium.t.Context(), patient, time.Time{}, time.Time{})
	s.ok(err)
	return rec.Questions
}

// The running service in headless Chromium, by every role: each page, reading, review by keyboard, closing a month,
// downloading and verifying it, printing. The accessibility rules are those of WCAG 2.2 A and AA as axe-core has them.
func TestInABrowser(t *testing.T) {
	if testing.Short() {
		t.Skip("a browser is slow, and slower still when races are looked for")
	}
	public := filepath.Join(t.TempDir(), "public.pem")
	r, ours := secured(t, func(dir, text string) string {
		pub, key, err := ed25519.GenerateKey(rand.Reader)
		if err != nil {
			t.Fatal(err)
		}
		b, err1 := x509.MarshalPKCS8PrivateKey(key)
		p, err2 := x509.MarshalPKIXPublicKey(pub)
		if err1 != nil || err2 != nil {
			t.Fatal(err1, err2)
		}
		writeFile(t, filepath.Join(dir, "sign.pem"), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: b}))
		writeFile(t, public, pem.EncodeToMemory(&pem.Block{Type: "PUBLIC KEY", Bytes: p}))
		return strings.Replace(text, "key_file: registry.key", "key_file: registry.key, sign_key_file: sign.pem", 1)
	})
	s := &site{r, newChromium(t, r.url), ours}
	t.Run("every page", s.everyPage)
	t.Run("read and changed", s.readAndChanged)
	t.Run("print", s.printed)
	t.Run("close a month", func(t *testing.T) { s.closeAMonth(t, public) })
	r.noErrorLogged()
}

func (s *site) everyPage(t *testing.T) {
	s.visitor(t, "").look("login", "/login")
	v := s.visitor(t, "radiology")
	v.look("worklist", "/worklist")
	for _, order := range []string{"a-mr", "c-mr", "g-mr", "h-mr", "l-mr", "o-mr"} {
		v.look("order-"+order, s.orderPage("hillside|ServiceRequest/"+order))
	}
	v.look("sheet", s.orderPage("hillside|ServiceRequest/a-mr")+"/sheet")
	v.look("glass", s.recordPage("hillside|Patient/p12")+"/open")
	v = s.visitor(t, "clinic")
	v.look("records", "/records")
	for _, p := range []string{"p01", "p03", "p07", "p12"} {
		v.look("record-"+p, s.recordPage("hillside|Patient/"+p))
	}
	v.look("card", s.recordPage("hillside|Patient/p01")+"/card")
	v.look("queue", "/review")
	qs := s.questions("hillside|Patient/p12")
	v.look("question", strings.Replace(s.recordPage("hillside|Patient/p12"), "/records/", "/review/", 1)+"/"+qs[len(qs)-1].ID)
	v.open("/trace")
	v.run(chromedp.SendKeys("#words", "TB-L45"), chromedp.Submit("#words"), chromedp.WaitVisible("h2"))
	v.rules("trace")
	v.shot("trace")
	for _, x := range [][2]string{{"registry", "/months"}, {"registry", "/reports"}, {"registry", "/months/2026-05/close"}, {"safety", "/labelling"}, {"safety", "/audit"}, {"operator", "/operations"}, {"administrator", "/people"}} {
		s.visitor(t, x[0]).look(strings.ReplaceAll(x[1][1:], "/", "-"), x[1])
	}
}

// A radiographer reads an order; somebody in the clinic answers its question, by keys alone; the worklist then says that
// it has changed, and how.
func (s *site) readAndChanged(t *testing.T) {
	const order, patient = "hillside|ServiceRequest/l-mr", "hillside|Patient/p12"
	v := s.visitor(t, "radiology")
	v.open("/worklist")
	if !strings.Contains(v.text(), "NOT READ YET") {
		t.Fatal("nothing is marked as new")
	}
	v.open(s.orderPage(order))
	v.run(chromedp.SendKeys("#decided", "Scan at another house, decided by the MR medical director"))
	v.press("form.stack button", "ol.orders")
	item := func() string {
		return seen(v, chromedp.Evaluate[string](`[...document.querySelectorAll("li.order")].find(li => li.innerHTML.includes("`+s.orderPage(order)+`")).innerText`))
	}
	if text := item(); !strings.Contains(text, "Unchanged since") || strings.Contains(text, "NOT READ YET") {
		t.Fatalf("not read after it was read:\n%s", text)
	}
	s.answerByKeyboard(t, patient)
	v.open("/worklist")
	if text := item(); !strings.Contains(text, "CHANGED since Invented radiology read it") {
		t.Errorf("the change is not marked:\n%s", text)
	}
	v.shot("worklist-changed")
	o := s.visitor(t, "safety")
	o.open("/labelling")
	if text := o.text(); !strings.Contains(text, "Scan at another house") || strings.Contains(text, "Lorrimoor") {
		t.Error("the noted decision is not there, or the patient is named")
	}
}

func (s *site) answerByKeyboard(t *testing.T, patient string) {
	before := len(s.questions(patient))
	v := s.visitor(t, "clinic")
	v.open("/review")
	link := `a[href^="` + strings.Replace(s.recordPage(patient), "/records/", "/review/", 1) + `/"]`
	v.press(link, "mark")
	if seen(v, chromedp.Text("mark")) == "" {
		t.Error("no words marked")
	}
	v.run(chromedp.Focus("input[value=accept]"), chromedp.KeyEvent(" "), chromedp.Focus("#reason"),
		chromedp.KeyEvent("operation sheet read"), chromedp.KeyEvent("\t"), chromedp.KeyEvent("\r"), chromedp.WaitVisible("ol.rows"))
	if after := len(s.questions(patient)); after != before-1 {
		t.Errorf("%d questions before, %d after", before, after)
	}
}

// Printed: what there is to do on one sheet, the card on one page, nothing runs off, and every page of more than one says
// whose it is: pages that came apart must not be put to another patient.
func (s *site) printed(t *testing.T) {
	whose := func(patient string) []string {
		rec, err := s.service.RecordAsOf(t.Context(), patient, time.Time{}, time.Time{})
		s.ok(err)
		p := rec.Person
		if p.Family == "" || p.Birth == "" || len(p.Identifiers) == 0 {
			t.Fatalf("%s has no name, birth or number to look for", patient)
		}
		return []string{p.Family + ", " + p.Given, string(p.Birth[:10]), p.Identifiers[0].Value}
	}
	v := s.visitor(t, "radiology")
	v.open("/worklist")
	v.print("worklist", 1, 6)
	v.open(s.orderPage("hillside|ServiceRequest/c-mr"))
	v.print("order", 2, 3, whose("hillside|Patient/p03")...)
	v.open(s.orderPage("hillside|ServiceRequest/a-mr") + "/sheet")
	v.print("sheet", 1, 1, whose("hillside|Patient/p01")...)
	c := s.visitor(t, "clinic")
	c.open(s.recordPage("hillside|Patient/p01") + "/card")
	c.print("card", 1, 1)
	c.open(s.recordPage("hillside|Patient/p03"))
	c.print("record", 2, 3, whose("hillside|Patient/p03")...)
	c.open(s.recordPage("hillside|Patient/p03") + "?on=2026-01-01")
	c.print("record-earlier", 1, 3, "NOT AS OF TODAY")
}

// A month is closed with its name typed again; its files, downloaded by the links of the page, are verified on their own.
func (s *site) closeAMonth(t *testing.T, public string) {
	const month = "2026-05"
	v := s.visitor(t, "registry")
	v.open("/months")
	v.press(`a[href="/months/`+month+`/close"]`, "#again")
	v.run(chromedp.SendKeys("#again", "2026-04"))
	v.press("form.stack button", `p[role="alert"]`)
	if closed, err := os.ReadDir(s.registryDir("closed")); err == nil && len(closed) > 0 {
		t.Fatal("closed under another month's name")
	}
	v.run(chromedp.SendKeys("#again", month))
	v.press("form.stack button", `p[role="status"]`)
	v.rules("months, one closed")
	v.shot("months-closed")
	links := seen(v, chromedp.Evaluate[[]string](`[...document.querySelectorAll('a[href^="/months/`+month+`/"][download]')].map(a => a.getAttribute("href"))`))
	if len(links) < 4 {
		t.Fatalf("links %v", links)
	}
	v.press(`a[href="/months/`+month+`/check"]`, ".mark")
	if text := v.text(); !strings.Contains(text, "signature is this service's") {
		t.Errorf("the check of the page says\n%s", text)
	}
	v.rules("checked")
	v.shot("months-checked")
	folder := filepath.Join(t.TempDir(), month)
	s.ok(os.Mkdir(folder, 0o700))
	c := tlsClient(t, s.ours, "", "")
	c.Jar, _ = cookiejar.New(nil)
	_, err := c.PostForm(s.running.url+"/login", url.Values{"name": {"registry"}, "password": {phrase}})
	s.ok(err)
	for _, link := range links {
		res, err := c.Get(s.running.url + link)
		s.ok(err)
		b, err := io.ReadAll(res.Body)
		s.ok(err)
		if _ = res.Body.Close(); res.StatusCode != http.StatusOK {
			t.Fatalf("%s: %d", link, res.StatusCode)
		}
		writeFile(t, filepath.Join(folder, filepath.Base(link)), b)
	}
	var out strings.Builder
	if err := verifyMonths(t.Context(), &program{out: &out}, []string{"--key", public, folder}); err != nil || !strings.Contains(out.String(), "counts hold") {
		t.Errorf("%v\n%s", err, out.String())
	}
	b, err := os.ReadFile(filepath.Join(folder, "rows.csv"))
	s.ok(err)
	writeFile(t, filepath.Join(folder, "rows.csv"), append(b, '\n'))
	if err := verifyMonths(t.Context(), &program{out: io.Discard}, []string{"--key", public, folder}); err == nil {
		t.Error("a changed file is verified")
	}
	s.ok(s.store.View(t.Context(), func(q pipeline.Reader) error {
		lines, err := q.Entries(t.Context(), "audit", "", 0, 10000)
		for _, l := range lines {
			if strings.Contains(string(l.Body), `"reason":"closed by Invented registry"`) {
				return err
			}
		}
		t.Error("who closed the month is not in the audit")
		return err
	}))
}
