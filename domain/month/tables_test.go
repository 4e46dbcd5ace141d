package month

import (
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
			if c.Type == pack.Number && c.Decimals != 1 {
				t.Errorf("%s: column %s has %d decimals", table.Name, c.Name, c.Decimals)
			}
		}
	}
}
