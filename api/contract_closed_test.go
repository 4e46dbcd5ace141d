package api_test

import (
	"encoding/json"
	"fmt"
	"testing"

	"ductledger/api"
	"ductledger/api/apitest"
	"ductledger/api/contract"
	"ductledger/domain"
)

// What is sent and not declared is found, wherever it stands: that is what every
// answer in these tests is held to.
func TestAnswersAreClosed(t *testing.T) {
	t.Parallel()
	all, err := apitest.Contract()
	if err != nil {
		t.Fatal(err)
	}
	text, err := api.Contract()
	if err != nil {
		t.Fatal(err)
	}
	contractors, err := contract.Load(text, domain.ContractorRole)
	if err != nil {
		t.Fatal(err)
	}
	const facts = `"id":"0198b1c4-7a10-7c3e-9d55-3f2a6b8c0d11","version":1,"position":7,"received_at":"2026-10-14T16:20:00.000000Z","recorded_at":"2026-10-14T16:20:00.000000Z"`
	const token = `,"token_id":"0198b1c4-7a10-7c3e-9d55-3f2a6b8c0d12"`
	for _, row := range domain.Kinds {
		record, err := api.Example(row.Kind)
		if err != nil {
			t.Fatal(err)
		}
		entry := func(kind domain.Kind, record []byte, more string) []byte {
			return fmt.Appendf(nil, `{"kind":%q,%s,"record":%s%s}`, kind, facts, record, more)
		}
		other := domain.HomeKind
		if row.Kind == other {
			other = domain.JobKind
		}
		var wider map[string]any
		if err := json.Unmarshal(record, &wider); err != nil {
			t.Fatal(err)
		}
		wider["undeclared"] = true
		wide, err := json.Marshal(wider)
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range []struct {
			what  string
			by    *contract.Compiled
			entry []byte
			holds bool
		}{
			{"as it is", all, entry(row.Kind, record, token), true},
			{"with a field of the entry that is not declared", all, entry(row.Kind, record, `,"undeclared":1`), false},
			{"with a field of the record that is not declared", all, entry(row.Kind, wide, ""), false},
			{"under another kind", all, entry(other, record, ""), false},
			{"for a contractor", contractors, entry(row.Kind, record, ""), true},
			{"for a contractor, with the token", contractors, entry(row.Kind, record, token), false},
		} {
			for schema, body := range map[string][]byte{"Entry": c.entry, "FeedItem": append([]byte(`{"op":"put",`), c.entry[1:]...)} {
				if err := c.by.Schema(schema, body); (err == nil) != c.holds {
					t.Errorf("%s of a %s %s: %v", schema, row.Kind, c.what, err)
				}
			}
		}
	}
	if err := all.Schema("Problem", []byte(`{"type":"/docs/problems/invalid","title":"t","status":422,"code":"invalid","trace_id":"1","undeclared":1}`)); err == nil {
		t.Error("a problem may hold what is not declared")
	}
}
