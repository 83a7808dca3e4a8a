package v2

// maxOrders bounds the orders of one message; a request for a patient names a few examinations.
const maxOrders = 100

// groups are the segments of one message by what they belong to.
type groups struct {
	msh, pid, pv1 Segment
	about         []Segment // notes and contraindications of the message and the patient
	orders        []order
}

// order is one order of a message.
type order struct {
	orc, obr Segment
	hasOBR   bool
	tq1      Segment
	ipc      []Segment
	details  []Segment // NTE, OBX, DG1
}

// group sorts the segments into those of the patient and of each order, as the grammars of ORM^O01 and OMI^O23
// have them. Segments that we do not use are passed over.
func group(m *Message) (groups, *Fault) {
	g := groups{msh: m.Segments[0], pv1: Segment{Name: "PV1", m: m}}
	hasPID := false
	for _, s := range m.Segments[1:] {
		var f *Fault
		switch s.Name {
		case "PID":
			if hasPID || len(g.orders) > 0 {
				f = s.fault(codeSequence, 0, "a message holds the orders of one patient")
			}
			g.pid, hasPID = s, true
		case "PV1":
			g.pv1 = s
		case "ORC":
			g.orders = append(g.orders, order{orc: s, tq1: Segment{Name: "TQ1", m: m}, obr: Segment{Name: "OBR", m: m}})
		default:
			f = g.detail(s)
		}
		if f != nil {
			return g, f
		}
	}
	switch {
	case !hasPID:
		return g, &Fault{Code: codeSequence, Segment: "PID", Seq: 1, Text: "the message has no patient"}
	case len(g.orders) == 0:
		return g, &Fault{Code: codeSequence, Segment: "ORC", Seq: 1, Text: "the message has no order"}
	case len(g.orders) > maxOrders:
		return g, &Fault{Code: codeSequence, Segment: "ORC", Seq: maxOrders + 1, Text: "too many orders in one message"}
	}
	return g, nil
}

// detail files a segment that belongs to the order before it, or to the patient where there is none yet.
func (g *groups) detail(s Segment) *Fault {
	if len(g.orders) == 0 {
		switch s.Name {
		case "NTE", "AL1":
			g.about = append(g.about, s)
		case "OBR":
			return s.fault(codeSequence, 0, "the order has no ORC")
		}
		return nil
	}
	o := &g.orders[len(g.orders)-1]
	switch s.Name {
	case "OBR":
		if o.hasOBR {
			return s.fault(codeSequence, 0, "a second OBR without an ORC of its own")
		}
		o.obr, o.hasOBR = s, true
	case "TQ1":
		if o.tq1.Seq == 0 {
			o.tq1 = s
		}
	case "IPC":
		o.ipc = append(o.ipc, s)
	case "NTE", "OBX", "DG1":
		o.details = append(o.details, s)
	}
	return nil
}
