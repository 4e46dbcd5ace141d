package intake

import (
	"fmt"

	"ductledger/domain/ledger"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// Keep takes over from a stored body the named members that a newer body
// lacks: an app that is older than a field cannot erase what it does not know.
func Keep(body, stored []byte, names []string) ([]byte, error) {
	newer, older := map[string]jsontext.Value{}, map[string]jsontext.Value{}
	if err := json.Unmarshal(body, &newer); err != nil {
		return nil, fmt.Errorf("read a record: %w", err)
	}
	if err := json.Unmarshal(stored, &older); err != nil {
		return nil, fmt.Errorf("read a stored record: %w", err)
	}
	for _, name := range names {
		if _, sent := newer[name]; sent {
			continue
		}
		if value, known := older[name]; known {
			newer[name] = value
		}
	}
	raw, err := json.Marshal(newer)
	if err != nil {
		return nil, fmt.Errorf("write a record: %w", err)
	}
	return ledger.Canonical(raw)
}
