package month

import (
	"testing"

	"ductledger/domain/bag"
)

func TestTablesCanBeWritten(t *testing.T) {
	if err := bag.CheckTables(Tables()); err != nil {
		t.Error(err)
	}
	for _, table := range Tables() {
		for _, c := range table.Columns {
			if c.Example == "" {
				t.Errorf("%s: column %s has no example", table.Name, c.Name)
			}
			if c.Type == bag.Number && c.Decimals != 1 {
				t.Errorf("%s: column %s has %d decimals", table.Name, c.Name, c.Decimals)
			}
		}
	}
}
