package api

import (
	"encoding/json" // the contract's numbers are kept as json.Number

	"ductledger/domain"

	"github.com/go-json-experiment/json/jsontext"
)

// Example gives the first example of a kind that stands in the contract: a
// record as PUT takes it.
func Example(kind domain.Kind) (jsontext.Value, error) {
	row, known := domain.RowOf(kind)
	if !known {
		return nil, domain.Errorf(domain.NotFound, "there is no kind %q", kind)
	}
	c, err := ownContract()
	if err != nil {
		return nil, err
	}
	list, _ := at(c.doc, "components", "schemas", typeName(row.Kind), "examples").([]any)
	if len(list) == 0 {
		return nil, domain.Errorf(domain.NotFound, "the contract has no example of a %s", kind)
	}
	text, err := json.Marshal(list[0])
	return text, err
}
