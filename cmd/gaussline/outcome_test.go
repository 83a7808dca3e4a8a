package main

import (
	"encoding/json"
	"io"
	"net/http"
	"strings"
	"testing"

	"gaussline/adapters/pipeline"
	"gaussline/testdata/cases"
)

// A sender that has HTTP only learns what was refused and what was mended, of its own messages alone. Our own rule; the
// form is that of HL7 FHIR R4, OperationOutcome.
func TestASenderLearnsWhatBecameOfItsMessage(t *testing.T) {
	r := runScenario(t, "", func(_, text string) string { return text })
	own, other := r.tokens["hillside"], r.tokens["quayside"]
	ask := func(id, token string) (int, string, string) {
		t.Helper()
		return fetch(t, r.url+"/fhir/outcome/"+id, token)
	}

	stories, err := cases.All()
	r.ok(err)
	refused := ""
	for _, s := range stories {
		for _, m := range s.Messages {
			if s.Name == "14-refused-message" && m.Sender == "hillside" {
				if id := pipeline.MessageID(m.Sender, m.Body); r.isRejected(id) {
					refused = id
				}
			}
		}
	}
	status, body, contentType := ask(refused, own)
	if status != http.StatusOK || !strings.Contains(body, `"severity":"error"`) || !strings.Contains(body, `"expression":["`) || !strings.HasPrefix(contentType, "application/fhir+json") {
		t.Errorf("a refused message: %d %s %s", status, contentType, body)
	}
	for name, c := range map[string]struct {
		id, token string
		want      int
	}{"another's message": {refused, other, 404}, "no message": {strings.Repeat("0", 64), own, 404}, "no token": {refused, "", 401}, "no id": {"x", own, 404}} {
		if status, body, _ := ask(c.id, c.token); status != c.want || strings.Contains(body, "expression") {
			t.Errorf("%s: %d %s", name, status, body)
		}
	}

	// A new message: one entry is mended, one is refused. Its Location says so once it is read.
	bundle := `{"resourceType":"Bundle","type":"batch","entry":[` +
		`{"resource":{"resourceType":"Patient","id":"out1","nickname":"invented","identifier":[{"system":"urn:invented","value":"out1"}]},"request":{"method":"PUT","url":"Patient/out1"}},` +
		`{"resource":{"resourceType":"ServiceRequest","id":"out2","status":"hopeful","intent":"order","subject":{"reference":"Patient/out1"}},"request":{"method":"PUT","url":"ServiceRequest/out2"}}]}`
	req, err := http.NewRequestWithContext(t.Context(), http.MethodPost, r.url+"/fhir", strings.NewReader(bundle))
	r.ok(err)
	req.Header.Set("Authorization", "Bearer "+own)
	req.Header.Set("Content-Type", "application/fhir+json")
	res, err := http.DefaultClient.Do(req)
	r.ok(err)
	_, _ = io.Copy(io.Discard, res.Body)
	r.ok(res.Body.Close())
	where := res.Header.Get("Location")
	if res.StatusCode != http.StatusAccepted || where != "/fhir/outcome/"+res.Header.Get("X-Message-Id") {
		t.Fatalf("%d, Location %q", res.StatusCode, where)
	}
	for {
		status, body, _ = fetch(t, r.url+where, own)
		if status != http.StatusAccepted {
			break
		}
		if t.Context().Err() != nil {
			t.Fatal("never read")
		}
	}
	var got struct {
		ResourceType string
		Issue        []struct {
			Severity, Diagnostics string
			Expression            []string
		}
	}
	r.ok(json.Unmarshal([]byte(body), &got))
	told := map[string]string{}
	for _, is := range got.Issue {
		told[strings.Join(is.Expression, " ")] = is.Severity
	}
	if status != http.StatusOK || got.ResourceType != "OperationOutcome" || told["Bundle.entry[1].resource.status"] != "error" || told["Bundle.entry[0].resource.nickname"] != "warning" {
		t.Errorf("%d %s", status, body)
	}
}

func (r *running) isRejected(messageID string) (found bool) {
	r.ok(r.store.View(r.t.Context(), func(rd pipeline.Reader) error {
		rejects, err := rd.Rejects(r.t.Context(), "")
		for _, x := range rejects {
			found = found || x.MessageID == messageID
		}
		return err
	}))
	return found
}

func fetch(t *testing.T, url, token string) (int, string, string) {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, url, nil)
	if err != nil {
		t.Fatal(err)
	}
	if token != "" {
		req.Header.Set("Authorization", "Bearer "+token)
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = res.Body.Close() }()
	b, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	return res.StatusCode, string(b), res.Header.Get("Content-Type")
}
