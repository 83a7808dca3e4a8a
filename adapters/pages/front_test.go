package pages

import (
	"strings"
	"testing"

	"gaussline/mapping/implant"
)

// A pocket in front is not drawn as if it lay on the back: its outline differs, and words say where it is.
func TestPocketInFrontIsMarked(t *testing.T) {
	part := func(id, pocket string) implant.Part {
		return implant.Part{ID: id, State: implant.Connected, Component: implant.Component{Kind: implant.Generator}, Site: implant.Site{Pocket: pocket, Side: implant.Left}}
	}
	d := drawBody(implant.Record{Parts: []implant.Part{part("a", "abdomen"), part("b", "abdomen"), part("c", "buttock"), part("d", "chest")}}, nil, nil)
	var front []string
	for _, s := range d.Spots {
		front = append(front, s.Front)
	}
	if got := strings.Join(front, ","); got != "abdomen,abdomen,,chest" {
		t.Errorf("in front: %s", got)
	}
	if d.Spots[1].Y-d.Spots[0].Y < 30+15 { // a box and the words above the next one
		t.Error("the words of one lie on the other")
	}
	if s := d.Summary(); !strings.Contains(s, "part 1 lies in front, abdomen") || strings.Contains(s, "part 3 lies") {
		t.Error(s)
	}
}

func TestFrontIsSaidOnThePage(t *testing.T) {
	h := newHouse(t)
	h.tell("01-primary-implant", "15-mr-unsafe")
	v := h.visitor("radiology")
	_, behind, _ := v.get("/orders/" + h.orders()["hillside|ServiceRequest/a-mr"])
	_, front, _ := v.get("/orders/" + h.orders()["hillside|ServiceRequest/o-mr"])
	for _, s := range []string{`class="box front"`, ">in front: abdomen<", "in FRONT of the body"} {
		if !strings.Contains(front, s) || strings.Contains(behind, s) {
			t.Errorf("%q: %v on the order with an abdominal pocket, %v on the other", s, strings.Contains(front, s), strings.Contains(behind, s))
		}
	}
}
