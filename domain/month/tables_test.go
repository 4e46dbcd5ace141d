package month

import (
	"strings"
	"testing"

	"ductledger/domain/pack"
)

func TestTablesCanBeWritten(t *testing.T) {
	if err := pack.CheckTables(Tables()); err != nil {
		t.Error(err)
	}
	for _, table := range Tables() {
		for _, c := range table.Columns {
			if c.Example == "" {
				t.Errorf("%s: column %s has no example", table.Name, c.Name)
			}
			decimals := 1 // readings come in such steps
			if strings.HasSuffix(c.Name, "_ratio") {
				decimals = 3
			}
			if c.Type == pack.Number && c.Decimals != decimals {
				t.Errorf("%s: column %s has %d decimals", table.Name, c.Name, c.Decimals)
			}
		}
	}
}
