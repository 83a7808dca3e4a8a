package access

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"sync"
	"time"
)

// Account is a local account as kept. An account without a hash cannot log in.
type Account struct {
	Person
	Hash     string    `json:"hash,omitempty"`
	Disabled bool      `json:"disabled,omitempty"`
	By       string    `json:"by,omitempty"` // who made the change
	Changed  time.Time `json:"changed"`
}

// invite lets one person set a password once. Its key is the hash of its token.
type invite struct {
	Name    string    `json:"name"`
	Expires time.Time `json:"expires"`
	Used    bool      `json:"used,omitempty"`
}

// InviteLasts is how long a one-time link works.
const InviteLasts = 24 * time.Hour

// FirstAdministrator is the login name that a first run sets up.
const FirstAdministrator = "administrator"

// maxAccounts bounds the list of accounts.
const maxAccounts = 2000

// Errors of accounts; none says which part was wrong.
var (
	ErrLogin   = errors.New("name or password not right")
	ErrInvite  = errors.New("this link is not valid any more")
	ErrAccount = errors.New("account: name of 2 to 60 of a-z 0-9 . _ @ -, and at least one known role")
)

var nameRule = regexp.MustCompile(`^[a-z0-9._@-]{2,60}$`)

// Accounts are the local accounts, kept in the journal.
type Accounts struct {
	Journal Journal
	Now     func() time.Time

	accepting sync.Mutex // a link works once, also for two who come at the same time
}

// List gives the accounts by name.
func (a *Accounts) List(ctx context.Context) ([]Account, error) {
	lines, err := a.Journal.Newest(ctx, kindAccount)
	if err != nil {
		return nil, err
	}
	out := make([]Account, 0, len(lines))
	for _, l := range lines {
		var acc Account
		if err := json.Unmarshal(l.Body, &acc); err != nil {
			return nil, fmt.Errorf("account line %d: %w", l.Seq, err)
		}
		out = append(out, acc)
	}
	return out, nil
}

func (a *Accounts) find(ctx context.Context, name string) (Account, bool, error) {
	all, err := a.List(ctx)
	i := slices.IndexFunc(all, func(x Account) bool { return x.Name == name })
	if err != nil || i < 0 {
		return Account{}, false, err
	}
	return all[i], true, nil
}

// Current gives an account as it is now; ok is false when it is gone or disabled. Sessions ask at every request,
// so that a change of roles takes effect at once.
func (a *Accounts) Current(ctx context.Context, name string) (p Person, ok bool, err error) {
	acc, ok, err := a.find(ctx, name)
	return acc.Person, ok && !acc.Disabled && acc.Hash != "", err
}

// Put makes or changes an account; the password stays as it is.
func (a *Accounts) Put(ctx context.Context, by string, p Person, disabled bool) error {
	if !nameRule.MatchString(p.Name) || len(p.Roles) == 0 {
		return ErrAccount
	}
	for _, r := range p.Roles {
		if !slices.Contains(PeopleRoles(), r) {
			return ErrAccount
		}
	}
	all, err := a.List(ctx)
	if err != nil {
		return err
	}
	acc := Account{Person: p, Disabled: disabled, By: by}
	if i := slices.IndexFunc(all, func(x Account) bool { return x.Name == p.Name }); i >= 0 {
		acc.Hash = all[i].Hash
	} else if len(all) >= maxAccounts {
		return fmt.Errorf("account: there are %d already", len(all))
	}
	return a.save(ctx, acc)
}

func (a *Accounts) save(ctx context.Context, acc Account) error {
	acc.Changed = a.Now().UTC()
	body, err := json.Marshal(acc)
	if err != nil {
		return err
	}
	return a.Journal.Add(ctx, Line{Kind: kindAccount, Key: acc.Name, Body: body, At: acc.Changed})
}

// Invite makes a one-time token with which the named account sets its password.
func (a *Accounts) Invite(ctx context.Context, name string) (token string, err error) {
	if _, ok, err := a.find(ctx, name); err != nil || !ok {
		return "", errors.Join(err, ErrAccount)
	}
	token = NewToken()
	return token, a.saveInvite(ctx, token, invite{Name: name, Expires: a.Now().UTC().Add(InviteLasts)})
}

func (a *Accounts) saveInvite(ctx context.Context, token string, inv invite) error {
	body, err := json.Marshal(inv)
	if err != nil {
		return err
	}
	return a.Journal.Add(ctx, Line{Kind: kindInvite, Key: tokenKey(token), Body: body, At: a.Now().UTC()})
}

func tokenKey(token string) string {
	h := sha256.Sum256([]byte(token))
	return hex.EncodeToString(h[:])
}

// Invited gives the name a one-time token is for.
func (a *Accounts) Invited(ctx context.Context, token string) (string, error) {
	lines, err := a.Journal.Newest(ctx, kindInvite)
	if err != nil {
		return "", err
	}
	key := tokenKey(token)
	for _, l := range lines {
		if l.Key != key { // hashes of random tokens: comparing them tells nothing about a token
			continue
		}
		var inv invite
		if err := json.Unmarshal(l.Body, &inv); err != nil {
			return "", err
		}
		if !inv.Used && a.Now().Before(inv.Expires) {
			return inv.Name, nil
		}
	}
	return "", ErrInvite
}

// Accept sets the password of the account a token is for, and uses the token up.
func (a *Accounts) Accept(ctx context.Context, token, password string) (Person, error) {
	a.accepting.Lock()
	defer a.accepting.Unlock()
	name, err := a.Invited(ctx, token)
	if err != nil {
		return Person{}, err
	}
	if err := checkPassword(name, password); err != nil {
		return Person{}, err
	}
	acc, ok, err := a.find(ctx, name)
	if err != nil || !ok || acc.Disabled {
		return Person{}, errors.Join(err, ErrInvite)
	}
	if err := a.saveInvite(ctx, token, invite{Name: name, Used: true}); err != nil {
		return Person{}, err
	}
	acc.Hash, acc.By = hashPassword(password), name
	return acc.Person, a.save(ctx, acc)
}

// dummyHash is compared against when there is no such account, so that the time taken does not tell.
var dummyHash = sync.OnceValue(func() string { return hashPassword(NewToken()) })

// Login checks a name and password. Every failure is ErrLogin.
func (a *Accounts) Login(ctx context.Context, name, password string) (Person, error) {
	acc, found, err := a.find(ctx, name)
	if err != nil {
		return Person{}, err
	}
	usable := found && !acc.Disabled && acc.Hash != ""
	hash := acc.Hash
	if !usable || len(password) > 4*MaxPassword {
		hash, password = dummyHash(), ""
	}
	ok, err := verifyPassword(hash, password)
	if err != nil {
		return Person{}, err
	}
	if !ok || !usable {
		return Person{}, ErrLogin
	}
	return acc.Person, nil
}

// FirstRun makes a one-time token for the first administrator when no account can log in as one. There is never a
// default password. needed is false when an administrator is there.
func (a *Accounts) FirstRun(ctx context.Context) (token string, needed bool, err error) {
	all, err := a.List(ctx)
	if err != nil {
		return "", false, err
	}
	for _, x := range all {
		if !x.Disabled && x.Hash != "" && x.May(ManagePeople) {
			return "", false, nil
		}
	}
	p := Person{Name: FirstAdministrator, Display: "Administrator", Roles: []Role{Administrator}}
	if err := a.Put(ctx, "first run", p, false); err != nil {
		return "", false, err
	}
	token, err = a.Invite(ctx, FirstAdministrator)
	return token, true, err
}
