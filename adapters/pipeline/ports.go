package pipeline

import (
	"context"
	"errors"
	"time"

	"gaussline/mapping/implant"
)

// Errors that an edge returns so that the pipeline can tell what to do next. Test with errors.Is.
var (
	ErrSettled = errors.New("settled already") // a person closed it, or it was read again
	// ErrNotFound: nothing is kept under that key.
	ErrNotFound = errors.New("not found")
	// ErrExists: what may be kept once is kept already.
	ErrExists = errors.New("kept already")
	// ErrBusy: another writer holds what this transaction needs; the whole transaction may be tried again.
	ErrBusy = errors.New("busy, try again")
	// ErrTooLarge: the message is over a size limit of the edge; trying again will not help.
	ErrTooLarge = errors.New("message too large")
	// ErrUnavailable: the edge is down or full; the caller may try again later.
	ErrUnavailable = errors.New("unavailable")
)

// Message is one thing received, with its bytes as they came.
type Message struct {
	ID          string    // hex SHA-256 of sender, a zero byte and body: the same message twice has one ID
	Sender      string    // name of the authenticated sender; [a-z0-9-]{1,40}
	ContentType string    // as given, "" not given
	Body        []byte    //
	ReceivedAt  time.Time // UTC, microseconds
}

// Inbox is the durable stream of what was received and not yet read.
type Inbox interface {
	// Put returns nil only after the message is synced to disk. ErrTooLarge and ErrUnavailable are returned
	// wrapped. Putting a message twice is allowed; readers must expect copies. TraceparentOf(ctx) goes with it.
	Put(ctx context.Context, m Message) error
	// Fetch waits up to wait for at least one message and returns at most max of them, oldest first. It
	// returns an empty slice and nil when none came.
	Fetch(ctx context.Context, max int, wait time.Duration) ([]Delivery, error)
	// Backlog counts the messages not yet acknowledged.
	Backlog(ctx context.Context) (int64, error)
}

// ManyAcker is an Inbox that settles many deliveries at less cost than one by one.
type ManyAcker interface {
	// AckAll settles deliveries of this inbox for good, as Ack of each does; an error means copies of some.
	AckAll(ctx context.Context, ds []Delivery) error
}

// Delivery is a message handed to a worker, to be settled exactly once.
type Delivery interface {
	Message() Message
	Attempt() int // 1 on the first delivery
	// Traceparent is what the message came with, from here or from outside: unchecked; "" none.
	Traceparent() string
	// Ack settles the message for good.
	Ack(ctx context.Context) error
	// Retry hands the message out again, not before delay has passed.
	Retry(ctx context.Context, delay time.Duration) error
	// Working tells the broker that the worker is alive and needs more time.
	Working(ctx context.Context) error
}

// Sender puts a message on a subject of the outgoing stream.
type Sender interface {
	// Send returns nil only after the message is synced to disk. The id makes a repeated Send within the
	// broker's window one message; receivers must still expect copies with the same id. TraceparentOf(ctx) goes with it.
	Send(ctx context.Context, subject, id string, body []byte) error
}

// StoredStatement is a statement with where its bytes lie in the message that brought it.
type StoredStatement struct {
	implant.Statement
	MessageID  string
	Offset     int // of the resource's first byte in the message body
	Length     int
	ReceivedAt time.Time // of the message
}

// Rejected is a message, or one resource of it, that was not read, kept until a person has dealt with it.
type Rejected struct {
	ID         string // hex SHA-256 of message ID and path
	MessageID  string
	Sender     string
	Path       string // "" for the whole message, else "Bundle.entry[3].resource"
	Key        string // of the statement that says a patient's resource is unread, "" when no patient was seen
	Step       string // decode, read, store
	Outcome    []byte // FHIR OperationOutcome, JSON
	Attempts   int
	RejectedAt time.Time
	State      string // open, replayed, closed
	Note       string // why a person closed it
}

// StoredVerdict is the verdict in force for one referral.
type StoredVerdict struct {
	Referral string // source key of the ServiceRequest
	Patient  string // record key
	Site     string // radiology site it goes to
	Revision int    // 1 for the first, +1 for each that supersedes
	Digest   string // hex SHA-256 of what a reader would see, without as-of times
	State    string // in-force, withdrawn
	Kind     string // the verdict's kind, for listing
	Body     []byte // the verdict, JSON
	Decided  time.Time
}

// Outgoing is a message that must be sent, written in the transaction that made it necessary.
type Outgoing struct {
	ID       string // message id for ever: hex SHA-256 of referral, revision, digest and destination
	Order    string // messages of one Order (the referral key) leave in the order they were queued
	Sink     string // which sink carries it: "nats", "fhir"
	To       string // subject or site name
	Body     []byte
	Queued   time.Time
	Attempts int
	NextTry  time.Time
	LastErr  string // class of the last failure, without patient data
	State    string // waiting, sent, dead
	Seq      int64  // set by the store, ascending in queue order
	// Traceparent names the span of the commit that queued it, in the W3C form; "" not traced.
	Traceparent string
}

// KindMonthClosed is the kind of entry that says that a registry month is closed. Each key of it is kept once.
const KindMonthClosed = "month-closed"

// Entry is a line of the journal: what people did (acknowledged, reviewed, closed, looked at), append-only. The
// newest entry of a kind and key is the one in force.
type Entry struct {
	Seq  int64     // set by the store, ascending
	Kind string    // "ack", "review", "audit", "account", "month", "feedback", ...
	Key  string    // what it is about; "" where the kind has no keys
	Body []byte    // JSON
	At   time.Time // UTC, microseconds
}

// Session is somebody at the pages, as every node must know them.
type Session struct {
	ID   string    // hash of the token that the browser has; the token itself is kept nowhere
	Data []byte    // JSON
	Ends time.Time // UTC, microseconds
}

// Sessions keeps who is at the pages; a store does. Each call is a transaction of its own, and waits for no Update.
type Sessions interface {
	// Session gives a session that ends after now. ErrNotFound when there is none.
	Session(ctx context.Context, id string, now time.Time) (Session, error)
	// SaveSession keeps a session, instead of what was kept under its ID, and drops those that ended by now.
	SaveSession(ctx context.Context, s Session, now time.Time) error
	// RenewSession is SaveSession for a session that is still kept and ends after now; of another it keeps nothing.
	RenewSession(ctx context.Context, s Session, now time.Time) error
	// DropSession ends a session; one that is not kept has ended already.
	DropSession(ctx context.Context, id string) error
}

// Store is the record: everything that must outlive a crash.
type Store interface {
	// Update runs f in one transaction and commits when f returns nil. Two updates that touch one patient
	// never interleave: one waits, or fails with ErrBusy, in which case nothing of it was kept.
	Update(ctx context.Context, f func(Tx) error) error
	// View runs f in one read-only transaction on a consistent state.
	View(ctx context.Context, f func(Reader) error) error
	// Check reads the database back and returns what is wrong with it, empty when nothing is.
	Check(ctx context.Context) ([]string, error)
	Close() error
}

// Reader is what may be asked inside a transaction. Lists are sorted by key.
type Reader interface {
	StatementReader
	RecordReader
	QueueReader
	JournalReader
	PartReader
	LifeReader
	DeviceReader
}

// DeviceReader finds the records of different people that have one device, by history.DeviceKeys. SaveRecord keeps those of
// a record; what an older program wrote has none until Relist.
type DeviceReader interface {
	// Sharers gives, of each of the device keys and of each that a kept record of hand has, up to limit records with it
	// that are not of hand, in order of key; keys that no other record has are left out. hand are patient keys.
	Sharers(ctx context.Context, hand, keys []string, limit int) (map[string][]string, error)
	// Unlisted gives up to limit records, in order of key and after the given one, whose device keys are not kept, or
	// were kept for the record as it stood before.
	Unlisted(ctx context.Context, after string, limit int) ([]string, error)
}

// JournalReader reads the journal.
type JournalReader interface {
	// Entries gives up to limit entries of a kind after a sequence number, of one key or ("") of all, in Seq order.
	Entries(ctx context.Context, kind, key string, after int64, limit int) ([]Entry, error)
	// Newest gives the newest entry of each key of a kind, by key.
	Newest(ctx context.Context, kind string) ([]Entry, error)
}

// StatementReader finds statements. All versions are returned; history decides which are current.
type StatementReader interface {
	// Cluster gives every patient key reachable from the given ones through shared identifiers and patient
	// links of any version of any Patient statement, the given ones included; sorted. An identifier node that
	// more than identity.MaxSharers keys hang on identifies nobody: it is not walked through, and is among keys
	// only when it was given; crowded lists those that were met, sorted.
	Cluster(ctx context.Context, patients []string) (keys, crowded []string, err error)
	// OfPatients gives every version of each source of which some version names one of the patients, and the Patient
	// statements themselves.
	OfPatients(ctx context.Context, patients []string) ([]StoredStatement, error)
	// ByKey gives the statements of the given source keys.
	ByKey(ctx context.Context, keys []string) ([]StoredStatement, error)
	// Concerned gives the patients that some version of one of the sources names, and those of statements that
	// mention one, at once or through sources that name nobody; sorted.
	Concerned(ctx context.Context, keys []string) ([]string, error)
	// Message gives a received message with its body. ErrNotFound when it is not kept.
	Message(ctx context.Context, id string) (Message, error)
}

// RecordReader finds records and verdicts.
type RecordReader interface {
	// Record finds the record that a patient key belongs to (any alias). ErrNotFound when there is none.
	Record(ctx context.Context, patient string) (implant.Record, error)
	// Records calls f for each record in order of key, starting after the given key, until f returns an error.
	Records(ctx context.Context, after string, f func(implant.Record) error) error
	// Verdict gives the verdict in force (or withdrawn) for a referral. ErrNotFound when none was given.
	Verdict(ctx context.Context, referral string) (StoredVerdict, error)
	// Verdicts lists the verdicts of a site ("" all) in the given state ("" all), by referral key.
	Verdicts(ctx context.Context, site, state string) ([]StoredVerdict, error)
}

// QueueReader finds what waits for somebody.
type QueueReader interface {
	// Rejects lists rejected messages in a state ("" all), newest last.
	Rejects(ctx context.Context, state string) ([]Rejected, error)
	// Waiting gives up to limit outgoing messages to be tried at now, in Seq order, at most one per Order.
	Waiting(ctx context.Context, now time.Time, limit int) ([]Outgoing, error)
	// Outbox lists outgoing messages in a state ("" all), in Seq order.
	Outbox(ctx context.Context, state string) ([]Outgoing, error)
	// Count gives the number of kept things by name: messages, statements, records, parts, rejected-open,
	// outbox-waiting, outbox-dead, verdicts-in-force.
	Count(ctx context.Context) (map[string]int64, error)
}

// Tx is a writing transaction. It sees its own writes.
type Tx interface {
	Reader
	// SaveMessages keeps received messages; fresh is false for one whose ID is already kept, or stands earlier in
	// the list (then nothing changes).
	SaveMessages(ctx context.Context, list []Message) (fresh []bool, err error)
	// SaveStatement keeps a statement. The same key and hash again changes nothing, except that a message
	// time or version the copy states and the kept one does not is not merged: the pair (key, Version) is unique.
	SaveStatement(ctx context.Context, s StoredStatement) error
	// DropStatements removes the statements that came with a message, all of them or those of one source key
	// (key not empty), with their mentions: before the message is read again, or when a person has dealt with
	// what could not be read.
	DropStatements(ctx context.Context, messageID, key string) error
	// SaveRecord writes the record under rec.Patient, with its device keys, and removes every record kept under one of
	// rec.Aliases.
	SaveRecord(ctx context.Context, rec implant.Record) error
	// DropRecord removes the record kept under the key, if any: its cluster was taken apart or joined.
	DropRecord(ctx context.Context, patient string) error
	// SaveVerdict writes the verdict of v.Referral, replacing the earlier one.
	SaveVerdict(ctx context.Context, v StoredVerdict) error
	// SaveRejected keeps or updates a rejected message by ID.
	SaveRejected(ctx context.Context, r Rejected) error
	// Queue adds an outgoing message; the same ID again changes nothing.
	Queue(ctx context.Context, o Outgoing) error
	// Append adds an entry to the journal and gives its sequence number. ErrExists for a second KindMonthClosed of a key,
	// from Append or from Update, also when two come at one time.
	Append(ctx context.Context, e Entry) (int64, error)
	// Settle writes State, Attempts, NextTry and LastErr of an outgoing message by ID.
	Settle(ctx context.Context, o Outgoing) error
}
