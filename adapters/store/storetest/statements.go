package storetest

import (
	"errors"
	"fmt"
	"slices"

	"gaussline/adapters/pipeline"
	"gaussline/adapters/store"
	"gaussline/mapping/identity"
	"gaussline/mapping/implant"
)

func (b *bench) count() map[string]int64 {
	b.Helper()
	var out map[string]int64
	b.view(func(r pipeline.Reader) (err error) {
		out, err = r.Count(b.ctx)
		return err
	})
	return out
}

func (b *bench) keys(what string, f func(pipeline.Reader) ([]string, error), want ...string) {
	b.Helper()
	b.view(func(r pipeline.Reader) error {
		got, err := f(r)
		if !slices.Equal(got, want) {
			b.Errorf("%s: %q, want %q", what, got, want)
		}
		return err
	})
}

// byKey gives the versions kept under a key as "message:version:hash".
func (b *bench) byKey(key string) []string {
	b.Helper()
	var out []string
	b.view(func(r pipeline.Reader) error {
		list, err := r.ByKey(b.ctx, []string{key})
		for _, s := range list {
			out = append(out, s.MessageID+":"+s.Version.ID+":"+s.Version.Hash)
		}
		return err
	})
	return out
}

// cluster asks for a cluster in which nothing is crowded.
func (b *bench) cluster(keys ...string) func(pipeline.Reader) ([]string, error) {
	return func(r pipeline.Reader) ([]string, error) {
		got, crowded, err := r.Cluster(b.ctx, keys)
		if len(crowded) > 0 {
			b.Errorf("cluster of %q: %q is crowded", keys, crowded)
		}
		return got, err
	}
}

func testDuplicates(b *bench) {
	s := stmt("k", "p", "d")
	s.Version = implant.Version{ID: "1", LastUpdated: at(1), MessageTime: at(2), Hash: "h"}
	again := s
	again.MessageID = "m2" // the same version in another message
	b.saves(b.message(msg("m")), b.message(msg("m2")), b.statement(s), b.statement(s), b.statement(again))
	b.same("same version twice", b.byKey("k"), []string{"m:1:h"})

	// Each of the four words of a version makes another one.
	v2, v3, v4, v5 := again, again, again, again
	v2.Version.ID = "2"
	v3.Version.LastUpdated = at(9)
	v4.Version.MessageTime = at(9)
	v5.Version.Hash = "i"
	b.saves(b.statement(v2), b.statement(v3), b.statement(v4), b.statement(v5))
	if got := b.byKey("k"); len(got) != 5 {
		b.Errorf("five versions: %q", got)
	}
	// A copy that states less is a pair of its own, too: nothing is merged.
	bare := again
	bare.Version.MessageTime = s.ReceivedAt.AddDate(-2000, 0, 0)
	bare.Version = implant.Version{Hash: "h"}
	b.saves(b.statement(bare))
	if got := b.byKey("k"); len(got) != 6 {
		b.Errorf("six versions: %q", got)
	}
	b.keys("mentioning", func(r pipeline.Reader) ([]string, error) {
		return r.Concerned(b.ctx, []string{"d"})
	}, "p")
}

func testDropStatements(b *bench) {
	other := stmt("c", "p3", "d")
	other.MessageID = "m2"
	pat := person("pat", []implant.Identifier{ident("s", "1")}, "pat2")
	b.saves(b.message(msg("m")), b.message(msg("m2")), b.statement(stmt("a", "p1", "d")), b.statement(stmt("b", "p2", "d")),
		b.statement(other), b.statement(pat))
	mentioning := func(r pipeline.Reader) ([]string, error) { return r.Concerned(b.ctx, []string{"d"}) }
	cluster := b.cluster("pat")
	b.keys("before", mentioning, "p1", "p2", "p3")
	b.keys("cluster before", cluster, "id:s|1", "pat", "pat2")

	drop := func(message, key string) func(pipeline.Tx) error {
		return func(tx pipeline.Tx) error { return tx.DropStatements(b.ctx, message, key) }
	}
	b.saves(drop("m2", "a")) // a is of another message: nothing happens
	b.keys("key of another message", mentioning, "p1", "p2", "p3")
	b.saves(drop("m", "a"))
	b.keys("one key", mentioning, "p2", "p3")
	b.saves(drop("m", ""))
	b.keys("all of a message", mentioning, "p3")
	b.keys("its edges go too", cluster, "pat")
	b.same("statements left", b.count()["statements"], int64(1))

	// Dropped and saved again in one transaction: what a second reading of a message does.
	b.saves(drop("m2", ""), b.statement(other), b.statement(other))
	b.same("read again", b.byKey("c"), []string{"m2::hash of c"})
}

func testMentioning(b *bench) {
	b.saves(b.message(msg("m")),
		b.statement(stmt("proc", "p1", "lead", "lead", "other", "")),
		b.statement(stmt("use", "p2", "lead")),
		b.statement(stmt("lead", "", "generator")), // a Device that names no patient is part of another
		b.statement(stmt("note", "p3", "nothing")))
	of := func(keys ...string) func(pipeline.Reader) ([]string, error) {
		return func(r pipeline.Reader) ([]string, error) { return r.Concerned(b.ctx, keys) }
	}
	b.keys("one key", of("lead"), "p1", "p2")
	b.keys("several keys, each patient once", of("other", "lead", "lead", "nothing"), "p1", "p2", "p3")
	b.keys("through a source without a patient", of("generator"), "p1", "p2")
	b.keys("whom the source itself names", of("proc"), "p1")
	b.keys("nobody", of("unheard of", ""))

	b.view(func(r pipeline.Reader) error {
		got, err := r.OfPatients(b.ctx, []string{""}) // no key: not "those that name no patient"
		if len(got) > 0 {
			b.Errorf("the empty key has %d statements", len(got))
		}
		return err
	})

	// A source that was moved to another patient belongs to both, in all its versions.
	moved := stmt("proc", "p9")
	moved.Version.ID = "moved"
	b.saves(b.statement(moved))
	b.keys("both patients of a moved source", of("proc"), "p1", "p9")
	for _, p := range []string{"p1", "p9"} {
		b.keys("versions that "+p+" has", func(r pipeline.Reader) (got []string, err error) {
			list, err := r.OfPatients(b.ctx, []string{p})
			for _, s := range list {
				got = append(got, s.Key+" of "+s.Patient)
			}
			return got, err
		}, "proc of p1", "proc of p9")
	}

	// Two devices that mention each other end the walk.
	b.saves(b.statement(stmt("x", "", "y")), b.statement(stmt("y", "", "x")))
	b.keys("a ring", of("x"))
}

func testSorted(b *bench) {
	// Byte order, as PostgreSQL with COLLATE "C" and SQLite with BINARY have it; a locale would mix these.
	keys := []string{"B", "a", "Z", "é", "a b", "a-b", "_", "10", "9", "aa", "ä"}
	saves := []func(pipeline.Tx) error{b.message(msg("m"))}
	for _, k := range keys {
		saves = append(saves, b.statement(stmt(k, "p")), b.statement(stmt("of "+k, k, "d")), b.record(implant.Record{Patient: k}),
			func(tx pipeline.Tx) error { return tx.SaveVerdict(b.ctx, pipeline.StoredVerdict{Referral: k}) })
	}
	b.saves(saves...)
	want := slices.Sorted(slices.Values(keys))
	b.keys("OfPatients", func(r pipeline.Reader) (got []string, err error) {
		list, err := r.OfPatients(b.ctx, []string{"p"})
		for _, s := range list {
			got = append(got, s.Key)
		}
		return got, err
	}, want...)
	b.keys("Concerned", func(r pipeline.Reader) ([]string, error) {
		return r.Concerned(b.ctx, []string{"d"})
	}, want...)
	b.keys("Cluster", b.cluster(keys...), want...)
	b.keys("Records", func(r pipeline.Reader) (got []string, err error) {
		return got, r.Records(b.ctx, "", func(rec implant.Record) error { got = append(got, rec.Patient); return nil })
	}, want...)
	b.keys("Verdicts", func(r pipeline.Reader) (got []string, err error) {
		list, err := r.Verdicts(b.ctx, "", "")
		for _, v := range list {
			got = append(got, v.Referral)
		}
		return got, err
	}, want...)
}

func testCluster(b *bench) {
	shared := []implant.Identifier{ident("urn:mrn", "17")}
	old := person("a", []implant.Identifier{ident("urn:old", "5")})
	old.Version.ID = "old" // an older version of a: what it said still joins
	onlyLink := person("d", nil, "e")
	b.saves(b.message(msg("m")),
		b.statement(person("a", shared)), b.statement(old),
		b.statement(person("b", shared, "c")),                                     // shares an identifier, links to c
		b.statement(stmt("proc", "id:urn:old|5")),                                 // named by identifier only
		b.statement(onlyLink),                                                     // e never came
		b.statement(person("t1", []implant.Identifier{ident("urn:mrn", "0000")})), // placeholders join nobody
		b.statement(person("t2", []implant.Identifier{ident("urn:mrn", "0000"), ident("x", " Unknown ")})),
		b.statement(person("t3", []implant.Identifier{ident("x", " Unknown "), ident("urn:mrn", "170")})))
	of := b.cluster
	whole := []string{"a", "b", "c", "id:urn:mrn|17", "id:urn:old|5"}
	for _, from := range whole {
		b.keys("from "+from, of(from), whole...)
	}
	b.keys("several, given twice", of("c", "a", "c", "d"), "a", "b", "c", "d", "e", "id:urn:mrn|17", "id:urn:old|5")
	b.keys("link to one that never came", of("e"), "d", "e")
	b.keys("unknown key", of("nobody"), "nobody")
	b.keys("placeholder", of("t2"), "t2")
	b.keys("other value", of("t3"), "id:urn:mrn|170", "t3")
	b.update(func(tx pipeline.Tx) error { // an edge counts at once, inside the transaction that made it
		if err := tx.SaveStatement(b.ctx, person("f", nil, "c")); err != nil {
			return err
		}
		got, _, err := tx.Cluster(b.ctx, []string{"f"})
		b.same("own write", got, append(append([]string{}, whole[:3]...), append([]string{"f"}, whole[3:]...)...))
		return err
	})
}

func testClusterBound(b *bench) {
	limit := store.ClusterLimit(1)
	var links []string
	for i := range limit {
		links = append(links, fmt.Sprintf("other-%05d", i))
	}
	b.saves(b.message(msg("m")), b.statement(person("hub", nil, links[:limit-1]...)))
	b.view(func(r pipeline.Reader) error {
		got, _, err := r.Cluster(b.ctx, []string{"hub"})
		if err != nil || len(got) != limit {
			b.Errorf("at the limit: %d keys, %v", len(got), err)
		}
		return nil
	})
	b.saves(b.statement(person("hub2", nil, "hub")))
	b.view(func(r pipeline.Reader) error {
		got, _, err := r.Cluster(b.ctx, []string{"other-00007"})
		if !errors.Is(err, store.ErrCluster) || got != nil {
			b.Errorf("over the limit: %d keys, %v", len(got), err)
		}
		got, _, err = r.Cluster(b.ctx, []string{"other-00007", "elsewhere"}) // more is allowed when more is asked
		if err != nil || len(got) != limit+2 {
			b.Errorf("two asked: %d keys, %v", len(got), err)
		}
		return nil
	})
}

// testCrowded: an identifier that more people share than identity joins by is not walked through, however many they
// are; one that just as many share is.
func testCrowded(b *bench) {
	const node = "id:urn:desk|1"
	saves := []func(pipeline.Tx) error{b.message(msg("m"))}
	patient := func(i int) string { return fmt.Sprintf("p-%05d", i) }
	var all []string
	for i := range identity.MaxSharers {
		s := person(patient(i), []implant.Identifier{ident("urn:desk", "1"), ident("urn:mrn", fmt.Sprint("N", i))})
		newer := s
		newer.Version.ID = "2" // two versions of one patient are one sharer
		saves = append(saves, b.statement(s), b.statement(newer))
		all = append(all, "id:urn:mrn|N"+fmt.Sprint(i), s.Key)
	}
	b.saves(saves...)
	slices.Sort(all)
	b.keys("at the limit", b.cluster(patient(7)), append([]string{node}, all...)...)

	for i := identity.MaxSharers; i < store.MaxCluster+50; i++ {
		saves = append(saves, b.statement(person(patient(i), []implant.Identifier{ident("urn:desk", "1")})))
	}
	b.saves(saves...)
	for _, c := range []struct{ ask, want []string }{
		{[]string{patient(7)}, []string{"id:urn:mrn|N7", patient(7)}},
		{[]string{patient(2000), patient(7)}, []string{"id:urn:mrn|N7", patient(7), patient(2000)}},
		{[]string{node}, []string{node}}, // a source that names its patient by it keeps a record of its own
		{[]string{node, "id:urn:mrn|N7"}, []string{node, "id:urn:mrn|N7", patient(7)}},
	} {
		b.view(func(r pipeline.Reader) error {
			got, crowded, err := r.Cluster(b.ctx, c.ask)
			b.same(fmt.Sprint("crowded, from ", c.ask), got, c.want)
			b.same("the crowded one", crowded, []string{node})
			return err
		})
	}
}
