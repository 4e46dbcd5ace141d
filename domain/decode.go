package domain

import (
	"fmt"

	"github.com/go-json-experiment/json"
)

// Decode reads the body of a stored record. Members that this program does not
// know are skipped: a newer one may have written them.
func Decode(kind Kind, body []byte) (Record, error) {
	row, ok := RowOf(kind)
	if !ok {
		return nil, fmt.Errorf("there is no kind %q", kind)
	}
	record := row.New()
	if err := json.Unmarshal(body, record); err != nil {
		return nil, fmt.Errorf("read a %s: %w", kind, err)
	}
	return record, nil
}
