package storage

import (
	"context"
	"time"

	"ductledger/domain"
	"ductledger/domain/rules"
)

const ruleSetsSQL = `
SELECT` + EntryColumns + `
FROM entry AS e
WHERE e.program_id = @program_id AND e.job_id IS NULL AND e.contractor_id IS NULL AND e.kind = 'rule_set' AND e.until_position IS NULL`

// RulesOn gives the rule set of a day and where the program's days begin.
func (db *DB) RulesOn(ctx context.Context, caller domain.Caller, day domain.Date) (set rules.Set, zone *time.Location, err error) {
	err = db.In(ctx, caller.Program, Reading, func(t *Tx) error {
		var f facts
		if zone, err = t.readRuleSets(&f); err != nil {
			return err
		}
		id, record := f.ruleSet(day)
		var faults []domain.Fault
		set, faults = rules.NewSet(id, record)
		return domain.InvalidFields(faults)
	})
	return set, zone, err
}

func (t *Tx) readRuleSets(f *facts) (*time.Location, error) {
	All(t, &f.rows, ruleSetsSQL, Args{"program_id": t.Program})
	settings, err := t.Settings()
	if err != nil {
		return nil, err
	}
	zone, err := settings.Zone()
	if err != nil {
		return nil, err
	}
	return zone, f.decode(zone)
}

// RuleSetToday is the rule set that is in force today; an empty one where the
// program has none.
func (t *Tx) RuleSetToday() (*domain.RuleSet, error) {
	var f facts
	zone, err := t.readRuleSets(&f)
	if err != nil {
		return nil, err
	}
	if _, set := f.ruleSet(domain.DateOf(t.Now, zone)); set != nil {
		return set, nil
	}
	return &domain.RuleSet{}, nil
}
