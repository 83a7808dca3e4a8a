package main

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/rsa"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"
	"github.com/go-jose/go-jose/v4/jwt"

	"gaussline/adapters/access"
	"gaussline/adapters/pipeline"
)

const (
	publicBase = "https://implants.hillside.invalid"
	ehrIssuer  = "https://ehr.hillside.invalid"
)

// orderer is an ordering system with its keys.
type orderer struct {
	url     string
	signers map[jose.SignatureAlgorithm]jose.Signer
	n       int // tokens made: each has a jti of its own
}

// newOrderer makes keys for both algorithms that CDS Hooks 2.0 names, and the JWK set file that the service is given.
func newOrderer(t testing.TB, keyFile string) *orderer {
	t.Helper()
	ec, err := ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	rs, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		t.Fatal(err)
	}
	o := &orderer{signers: map[jose.SignatureAlgorithm]jose.Signer{}}
	var set jose.JSONWebKeySet
	for _, k := range []struct {
		alg       jose.SignatureAlgorithm
		priv, pub any
	}{{jose.ES384, ec, ec.Public()}, {jose.RS384, rs, rs.Public()}} {
		set.Keys = append(set.Keys, jose.JSONWebKey{Key: k.pub, KeyID: string(k.alg), Algorithm: string(k.alg), Use: "sig"})
		o.signers[k.alg], err = jose.NewSigner(jose.SigningKey{Algorithm: k.alg, Key: jose.JSONWebKey{Key: k.priv, KeyID: string(k.alg)}},
			(&jose.SignerOptions{}).WithType("JWT"))
		if err != nil {
			t.Fatal(err)
		}
	}
	b, err := json.Marshal(set)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(keyFile, b, 0o600); err != nil {
		t.Fatal(err)
	}
	return o
}

// call asks with a fresh token for that path.
func (o *orderer) call(t *testing.T, alg jose.SignatureAlgorithm, method, path, body string) (int, []byte) {
	t.Helper()
	o.n++
	raw, err := jwt.Signed(o.signers[alg]).Claims(map[string]any{"iss": ehrIssuer, "aud": publicBase + path, "iat": demoDay.Unix(),
		"exp": demoDay.Add(time.Minute).Unix(), "jti": fmt.Sprint(o.n)}).Serialize()
	if err != nil {
		t.Fatal(err)
	}
	return send(t, method, o.url+path, raw, body)
}

func send(t *testing.T, method, url, token, body string) (int, []byte) {
	t.Helper()
	r, err := http.NewRequest(method, url, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Content-Type", "application/json")
	if token != "" {
		r.Header.Set("Authorization", "Bearer "+token)
	}
	res, err := (&http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}).Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = res.Body.Close() }()
	b, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	return res.StatusCode, b
}

// draft is a call of a hook with one draft order.
func draft(hook, patient, text string) string {
	selections := ""
	if hook == "order-select" {
		selections = `"selections":["ServiceRequest/draft"],`
	}
	return `{"hook":"` + hook + `","hookInstance":"d1577c69-dfbe-44ad-ba6d-3e05e953b2ea","context":{"userId":"Practitioner/1","patientId":"` + patient + `",` + selections +
		`"draftOrders":{"resourceType":"Bundle","entry":[{"resource":{"resourceType":"ServiceRequest","id":"draft","status":"draft","intent":"order",` +
		`"performer":[{"display":"North Imaging"}],"subject":{"reference":"Patient/` + patient + `"},"code":{"text":"` + text + `"}}}]}}}`
}

// An ordering system that signs as CDS Hooks 2.0 asks gets the card that the record and the scenario's labelling call
// for, from the service as it runs; what it is told and what it does with the card is kept.
func TestOrderTimeAnswers(t *testing.T) {
	dir := t.TempDir()
	o := newOrderer(t, filepath.Join(dir, "keys.json"))
	a, url := runningScenario(t, fmt.Sprintf("cds:\n  - {issuer: %q, sender: hillside, jwks_file: %q}\n", ehrIssuer, filepath.Join(dir, "keys.json")))
	o.url = url
	for _, path := range []string{"/cds-services", "/cds-services/implant-order-sign"} {
		if status, body := send(t, "POST", url+path, "", "{}"); path != "/cds-services" && (status != 401 || strings.Contains(string(body), "kid")) {
			t.Errorf("%s without a token: %d %s", path, status, body)
		}
	}
	if status, body := o.call(t, jose.ES384, "GET", "/cds-services", ""); status != 200 || !strings.Contains(string(body), `"hook":"order-select"`) {
		t.Fatalf("discovery: %d %s", status, body)
	}
	for _, c := range []struct {
		about, patient, text, topic, indicator, summary string
		link                                            bool
	}{
		// The stories of these patients, in testdata/cases: the verdicts of the same orders as sent.
		{"leads left and capped", "p03", "MR lumbar spine", "outside-label", "critical", "IMPLANT IN PLACE: OUTSIDE", true},
		{"a whole system", "p01", "MR Knee WO contrast", "within-label-if", "warning", "IMPLANT IN PLACE: CONFIRM EVERY POINT", true},
		{"all taken out", "p04", "MR brain", "nothing-recorded", "info", "NOTHING RECORDED AS IN PLACE", true},
		{"nobody we know", "nobody", "MR brain", "nothing-recorded", "info", "NO IMPLANT RECORD IS KEPT", false},
		{"an unknown device", "p08", "MR brain", "not-established", "critical", "MR STATUS NOT ESTABLISHED", true},
	} {
		for _, how := range []struct {
			alg        jose.SignatureAlgorithm
			hook, path string
		}{{jose.ES384, "order-sign", "/cds-services/implant-order-sign"}, {jose.RS384, "order-select", "/cds-services/implant-order-select"}} {
			status, body := o.call(t, how.alg, "POST", how.path, draft(how.hook, c.patient, c.text))
			var got struct {
				Cards []struct {
					UUID, Summary, Detail, Indicator string
					Source                           struct{ Topic struct{ Code string } }
					Links                            []struct{ URL string }
					Suggestions                      []any
				}
				SystemActions []any
			}
			if err := json.Unmarshal(body, &got); err != nil || status != 200 || len(got.Cards) != 1 {
				t.Fatalf("%s, %s: %d %s", c.about, how.hook, status, body)
			}
			card := got.Cards[0]
			if card.Source.Topic.Code != c.topic || card.Indicator != c.indicator || !strings.HasPrefix(strings.ToUpper(card.Summary), c.summary) || len([]rune(card.Summary)) >= 140 {
				t.Errorf("%s, %s: %s %s %q", c.about, how.hook, card.Source.Topic.Code, card.Indicator, card.Summary)
			}
			if (len(card.Links) == 1) != c.link || c.link && (!strings.HasPrefix(card.Links[0].URL, publicBase+"/records/") || strings.Contains(card.Links[0].URL, c.patient)) {
				t.Errorf("%s: links %+v", c.about, card.Links)
			}
			if noted := len(got.SystemActions) + len(card.Suggestions); noted != 1 {
				t.Errorf("%s, %s: the note is put on the draft %d times", c.about, how.hook, noted)
			}
			if c.link {
				if status, _ := send(t, "GET", url+strings.TrimPrefix(card.Links[0].URL, publicBase), "", ""); status != http.StatusSeeOther {
					t.Errorf("%s: the link of the card answers %d, want the log-in", c.about, status)
				}
			}
			feedback := `{"feedback":[{"card":"` + card.UUID + `","outcome":"overridden","outcomeTimestamp":"2026-06-01T09:00:10Z"}]}`
			if status, body := o.call(t, how.alg, "POST", how.path+"/feedback", feedback); status != 200 {
				t.Fatalf("feedback: %d %s", status, body)
			}
		}
	}
	checkOrderTimeJournal(t, a)
}

// checkOrderTimeJournal: every answer is in the audit under an opaque id, and every feedback is kept.
func checkOrderTimeJournal(t *testing.T, a *app) {
	t.Helper()
	const asked = 10 // five patients, two hooks
	ctx := context.Background()
	err := a.store.View(ctx, func(r pipeline.Reader) error {
		kept, err := r.Entries(ctx, "cds-feedback", "", 0, 100)
		if err != nil {
			return err
		}
		lines, err := r.Entries(ctx, "audit", "", 0, 100)
		if err != nil {
			return err
		}
		n := 0
		for _, e := range lines {
			var ev access.Event
			if err := json.Unmarshal(e.Body, &ev); err != nil {
				return err
			}
			if ev.What == "order-time-answer" && ev.Who == "hillside" && ev.Object != "" && !strings.Contains(string(e.Body), "p03") {
				n++
			}
		}
		if len(kept) != asked || n != asked {
			t.Errorf("%d feedbacks and %d audit lines, want %d of each", len(kept), n, asked)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}
