package pipeline

import (
	"slices"
	"strings"
	"sync"
	"time"

	"go.uber.org/zap"

	"gaussline/mapping/implant"
	"gaussline/mapping/mri"
)

// States of rejects, outgoing messages and verdicts.
const (
	RejectOpen     = "open"
	RejectReplayed = "replayed"
	RejectClosed   = "closed"

	OutWaiting = "waiting"
	OutSent    = "sent"
	OutDead    = "dead"

	VerdictInForce   = "in-force"
	VerdictWithdrawn = "withdrawn"
)

// Sinks and subjects of outgoing messages.
const (
	SinkNATS = "nats"
	SinkFHIR = "fhir"

	SubjectBanner   = "gaussline.out.mr."       // + site: banners on MR referrals
	SubjectReferral = "gaussline.out.referral." // + site: referrals passed on as received
	SubjectRejected = "gaussline.out.rejected." // + sender: OperationOutcomes for what was refused
)

// unassigned is the site of orders that name none while there is no fallback. Nobody is known to read it.
const unassigned = "unassigned"

// Site is a radiology department that referrals are addressed to.
type Site struct {
	Name  string   // [a-z0-9-]{1,40}; last token of its subjects
	Match []string // words or keys in the referral's performer or location that mean this site; case does not count
	FHIR  bool     // also deliver to the site's FHIR endpoint
	// RemindAfter is how long an urgent banner may stand unacknowledged before it is sent again, and again; 0 never.
	RemindAfter time.Duration
}

// Knowledge is what the site keeps about labelling and scanners. It is replaced whole, never changed in place.
type Knowledge struct {
	Labels   []mri.Labelling
	Scanners []mri.Scanner
	Policy   mri.Policy
}

// Meter counts what operators watch. Labels never carry patient data.
type Meter interface {
	Received(n int)                           // messages committed
	Refused(step string)                      // one reject kept
	Decided(kind string)                      // one verdict settled that differs from the one before
	Delivered(sink string, age time.Duration) // from queued to receipt
	DeliveryFailed(sink string, dead bool)    //
	Committed(batch int, took time.Duration)  //
	BannerLatency(d time.Duration)            // from received to queued in SQL
	Unmatched(site string)                    // one verdict on an order that names no known site, given to site
}

// Service is the line of work with its edges plugged in.
type Service struct {
	Inbox     Inbox
	Store     Store
	Sinks     map[string]Sink
	Reader    MessageReader
	Knowledge func() Knowledge // the knowledge now in force
	Sites     []Site
	Fallback  string // site of referrals that match none; "" keeps them for the site "unassigned"
	Log       *zap.Logger
	Meter     Meter
	Tracer    Tracer // nil: nothing is traced
	Now       func() time.Time
	Limits    WorkLimits

	wake   chan struct{} // tells the relay that the outbox has grown
	inHand *sync.Map     // first delivery of a batch → its deliveries
}

// WorkLimits bounds the work in hand.
type WorkLimits struct {
	Batch       int           // messages a transaction; default 500
	Decoders    int           // goroutines that decode; default 2
	FetchWait   time.Duration // default 1 s
	MaxAttempts int           // tries before a message that cannot be stored is rejected; default 5
	RetryDelay  time.Duration // after a failed try, times the attempt; default 2 s
}

// WithDefaults fills what is zero.
func (l WorkLimits) WithDefaults() WorkLimits {
	def := func(v *int, d int) {
		if *v <= 0 {
			*v = d
		}
	}
	def(&l.Batch, 500)
	def(&l.Decoders, 2)
	def(&l.MaxAttempts, 5)
	if l.FetchWait <= 0 {
		l.FetchWait = time.Second
	}
	if l.RetryDelay <= 0 {
		l.RetryDelay = 2 * time.Second
	}
	return l
}

// New checks nothing and plugs nothing in; it only makes the service ready to run.
func New(s Service) *Service {
	s.Limits = s.Limits.WithDefaults()
	s.wake, s.inHand = make(chan struct{}, 1), &sync.Map{}
	if s.Meter == nil {
		s.Meter = noMeter{}
	}
	if s.Tracer == nil {
		s.Tracer = noTracer{}
	}
	return &s
}

func (s *Service) nudge() {
	select {
	case s.wake <- struct{}{}:
	default:
	}
}

// SiteOf finds the radiology site a referral is addressed to.
func (s *Service) SiteOf(r implant.Referral) Site {
	site, _ := s.addressed(r)
	return site
}

// addressed finds the site, and says whether the referral names it; else it is the fallback.
func (s *Service) addressed(r implant.Referral) (site Site, named bool) {
	said := strings.ToLower(r.Performer + " " + r.PerformerID)
	for _, site := range s.Sites {
		if slices.ContainsFunc(site.Match, func(m string) bool { return m != "" && strings.Contains(said, strings.ToLower(m)) }) {
			return site, true
		}
	}
	for _, site := range s.Sites {
		if site.Name == s.Fallback {
			return site, false
		}
	}
	return Site{Name: unassigned}, false
}

type noMeter struct{}

func (noMeter) Received(int)                    {}
func (noMeter) Refused(string)                  {}
func (noMeter) Decided(string)                  {}
func (noMeter) Delivered(string, time.Duration) {}
func (noMeter) DeliveryFailed(string, bool)     {}
func (noMeter) Committed(int, time.Duration)    {}
func (noMeter) BannerLatency(time.Duration)     {}
func (noMeter) Unmatched(string)                {}
