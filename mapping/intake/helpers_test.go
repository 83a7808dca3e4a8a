package intake

import (
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"gaussline/mapping/implant"

	"github.com/google/fhir/go/fhirversion"
	"github.com/google/fhir/go/jsonformat"
	r4pb "github.com/google/fhir/go/proto/google/fhir/proto/r4/core/resources/bundle_and_contained_resource_go_proto"
)

var decoder = func() *jsonformat.Unmarshaller {
	u, err := jsonformat.NewUnmarshallerWithoutValidation("UTC", fhirversion.R4)
	if err != nil {
		panic(err)
	}
	return u
}()

// item decodes one resource; nil resource when it cannot be decoded.
func item(raw string) (Item, error) {
	var head struct{ ResourceType, ID string }
	if err := json.Unmarshal([]byte(raw), &head); err != nil {
		return Item{}, err
	}
	it := Item{Type: head.ResourceType, ID: head.ID, Path: head.ResourceType, Hash: fmt.Sprintf("%x", sha256.Sum256([]byte(raw)))}
	if !Reads(it.Type) {
		return it, nil
	}
	m, err := decoder.Unmarshal([]byte(raw))
	if err != nil {
		return it, err
	}
	it.Resource = m.(*r4pb.ContainedResource)
	return it, nil
}

// bundleItems takes a Bundle apart as fhirjson does.
func bundleItems(t testing.TB, raw string) (Envelope, []Item) {
	t.Helper()
	var b struct {
		Type      string
		Timestamp time.Time
		Entry     []struct {
			FullURL  string
			Resource json.RawMessage
			Request  struct{ Method, URL string }
		}
	}
	if err := json.Unmarshal([]byte(raw), &b); err != nil {
		t.Fatal(err)
	}
	var items []Item
	for i, e := range b.Entry {
		it := Item{}
		if len(e.Resource) > 0 {
			var err error
			if it, err = item(string(e.Resource)); err != nil {
				t.Fatalf("entry %d: %v", i, err)
			}
		}
		it.FullURL, it.Method, it.URL = e.FullURL, e.Request.Method, e.Request.URL
		it.Path = fmt.Sprintf("Bundle.entry[%d].resource", i)
		items = append(items, it)
	}
	return Envelope{Sender: "ehr", Base: "https://ehr.example/fhir", Kind: b.Type, MessageTime: b.Timestamp}, items
}

func readOne(t testing.TB, raw string) implant.Statement {
	t.Helper()
	it, err := item(raw)
	if err != nil {
		t.Fatal(err)
	}
	out := Read(Envelope{Sender: "ehr", Base: "https://ehr.example/fhir", Kind: "resource"}, []Item{it})
	if len(out) != 1 {
		t.Fatalf("%d statements", len(out))
	}
	return out[0]
}

func readBundle(t testing.TB, raw string) map[string]implant.Statement {
	t.Helper()
	env, items := bundleItems(t, raw)
	out := map[string]implant.Statement{}
	for _, s := range Read(env, items) {
		out[s.Key] = s
	}
	return out
}

// facts gives the facts of one kind.
func facts(s implant.Statement, k implant.FactKind) []implant.Fact {
	var out []implant.Fact
	for _, f := range s.Facts {
		if f.Kind == k {
			out = append(out, f)
		}
	}
	return out
}

func one(t testing.TB, s implant.Statement, k implant.FactKind) implant.Fact {
	t.Helper()
	fs := facts(s, k)
	if len(fs) != 1 {
		t.Fatalf("%d facts %q among %+v", len(fs), k, s.Facts)
	}
	return fs[0]
}

// doubts gives the question codes of the doubts, in order.
func doubts(s implant.Statement) []implant.QuestionCode {
	var out []implant.QuestionCode
	for _, f := range facts(s, implant.Doubt) {
		out = append(out, implant.QuestionCode(f.Value))
	}
	return out
}

func hasDoubt(s implant.Statement, q implant.QuestionCode) bool {
	for _, d := range doubts(s) {
		if d == q {
			return true
		}
	}
	return false
}

// render writes a statement in full, for comparison.
func render(s implant.Statement) string {
	b, err := json.Marshal(s)
	if err != nil {
		panic(err)
	}
	return string(b)
}
