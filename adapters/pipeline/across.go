package pipeline

import (
	"context"
	"slices"

	"gaussline/mapping/history"
	"gaussline/mapping/implant"
)

// A record rests on the statements of one patient, and on what the records of others say of its devices. What they say
// changes no part of it, so that nothing is passed on: a record's devices follow from its own statements, and its
// questions from its own devices and those of the records that share one.

// acrossPatients compares the folded records with those of other people that have one of their devices, or had it with
// the record as it was kept. Those are folded anew too, and what each says of the others' devices is asked about.
func (s *Service) acrossPatients(ctx context.Context, r Reader, touched []string, all gathered, people []cluster) ([]cluster, error) {
	if !tellOfDevices(all.stored) {
		return people, nil
	}
	shared, err := r.Sharers(ctx, all.reach, keysOf(people), history.MaxHolders+1)
	if err != nil {
		return nil, err
	}
	var others []string
	for _, holders := range shared {
		if len(holders) <= history.MaxHolders { // else nothing changes for them: too many have it without those in hand
			others = append(others, holders...)
		}
	}
	if len(others) > 0 {
		slices.Sort(others)
		if all, err = s.gather(ctx, r, append(slices.Clone(touched), slices.Compact(others)...)); err != nil {
			return nil, err
		}
		people = clusters(all)
		s.foldAll(people)
		if shared, err = r.Sharers(ctx, all.reach, keysOf(people), history.MaxHolders+1); err != nil {
			return nil, err
		}
	}
	return people, askAcross(ctx, r, people, shared)
}

// tellOfDevices says whether any version names a device that could be on two records. Where none does, no record made
// of them ever had a device key.
func tellOfDevices(stored []StoredStatement) bool {
	return slices.ContainsFunc(stored, func(st StoredStatement) bool {
		return slices.ContainsFunc(st.Facts, func(f implant.Fact) bool { return f.Component.Ref != "" || f.Component.Serial != "" })
	})
}

func keysOf(people []cluster) (keys []string) {
	for _, c := range people {
		keys = append(keys, c.devices...)
	}
	slices.Sort(keys)
	return slices.Compact(keys)
}

// askAcross folds those of the records in hand again that have a device in common with another, in hand or kept. shared
// is who else has their device keys.
func askAcross(ctx context.Context, r Reader, people []cluster, shared map[string][]string) error {
	a := across{inHand: map[string][]int{}, kept: shared, held: map[string][]history.Held{}}
	for i, c := range people {
		for _, k := range c.devices {
			a.inHand[k] = append(a.inHand[k], i)
		}
	}
	for i := range people {
		if err := a.ask(ctx, r, people, i); err != nil {
			return err
		}
	}
	for i := range people {
		if c := &people[i]; len(c.elsewhere)+len(c.crowded) > 0 {
			c.fold()
		}
	}
	return nil
}

// across is who has which device: places of the records in hand, and keys of those that are kept.
type across struct {
	inHand map[string][]int
	kept   map[string][]string
	held   map[string][]history.Held // of the kept records that were looked at
}

// ask collects what others have of the devices of one record.
func (a *across) ask(ctx context.Context, r Reader, people []cluster, own int) error {
	c := &people[own]
	taken := map[int]bool{own: true}
	seen := map[string]bool{}
	for _, k := range c.devices {
		if len(a.inHand[k])+len(a.kept[k]) > history.MaxHolders {
			c.crowded = append(c.crowded, k)
			continue
		}
		for _, i := range a.inHand[k] {
			if !taken[i] {
				taken[i] = true
				c.elsewhere = append(c.elsewhere, history.HeldOf(people[i].record)...)
			}
		}
		for _, key := range a.kept[k] {
			if seen[key] {
				continue
			}
			seen[key] = true
			held, err := a.heldBy(ctx, r, key)
			if err != nil {
				return err
			}
			c.elsewhere = append(c.elsewhere, held...)
		}
	}
	return nil
}

func (a *across) heldBy(ctx context.Context, r Reader, patient string) ([]history.Held, error) {
	if held, ok := a.held[patient]; ok {
		return held, nil
	}
	rec, err := r.Record(ctx, patient)
	if err != nil {
		return nil, err
	}
	a.held[patient] = history.HeldOf(rec)
	return a.held[patient], nil
}

// relistBatch is how many records one transaction lists anew.
const relistBatch = 50

// Relist folds the records anew whose device keys are not kept as the record stands, and says how many: those that were
// kept before there were device keys, and those that an older node has written since. Until then no other record knows
// of their devices.
func (s *Service) Relist(ctx context.Context) (n int, err error) {
	for after := ""; ; {
		var list []string
		err := s.Store.View(ctx, func(r Reader) (err error) {
			list, err = r.Unlisted(ctx, after, relistBatch)
			return err
		})
		if err != nil || len(list) == 0 {
			return n, err
		}
		if err := s.Store.Update(ctx, func(tx Tx) error { return s.refold(ctx, tx, list) }); err != nil {
			return n, err
		}
		s.nudge()
		n += len(list)
		after = list[len(list)-1]
	}
}
