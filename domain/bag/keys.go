package bag

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/binary"
	"slices"
)

// keysInMemory is how many keys of a table are held at once, 24 bytes each. A
// longer table is read again for each share of its keys, so memory does not
// grow with its rows.
const keysInMemory = 1 << 16

// A keySet finds keys that stand twice, and tells whether one stands. A key is
// kept as 16 bytes of its SHA-256, so memory does not depend on its length.
type keySet struct {
	columns []int
	check   string // that fails when a key stands twice
	rows    int64  // with a known key
	keys    []keyAt
	buf     []byte
}

type keyAt struct {
	key  [16]byte
	part int32 // of the table's files
	row  int32
}

// of gives a key; false when a cell of it is not known.
func (k *keySet) of(columns []int, cells [][]byte) (key [16]byte, known bool) {
	for _, i := range columns {
		if len(cells[i]) == 0 {
			return key, false
		}
	}
	k.buf = appendKey(k.buf[:0], columns, cells)
	sum := sha256.Sum256(k.buf)
	copy(key[:], sum[:])
	return key, true
}

// take keeps the key of a row as long as all that came fit.
func (k *keySet) take(cells [][]byte, part int, row int64) {
	key, known := k.of(k.columns, cells)
	if !known {
		return
	}
	const few = 1000
	switch k.rows++; k.rows {
	case few: // one step to the end leaves no garbage of steps between
		k.keys = slices.Grow(k.keys, keysInMemory)
	case keysInMemory + 1:
		k.keys = nil
	}
	if k.rows <= keysInMemory {
		k.keys = append(k.keys, keyAt{key, int32(part), int32(row)})
	}
}

// shares is in how many parts the keys are looked at. SHA-256 spreads them
// evenly, so a part that is expected to be three quarters full holds.
func (k *keySet) shares() uint64 {
	const expected = keysInMemory * 3 / 4
	if k.rows <= keysInMemory {
		return 1
	}
	return uint64((k.rows + expected - 1) / expected)
}

// shareOf is the part that a key belongs to.
func shareOf(key [16]byte, shares uint64) uint64 {
	return uint64(binary.BigEndian.Uint32(key[:])) * shares >> 32
}

func (k *keySet) sort() {
	slices.SortFunc(k.keys, func(a, b keyAt) int {
		return cmp.Or(bytes.Compare(a.key[:], b.key[:]), cmp.Compare(a.part, b.part), cmp.Compare(a.row, b.row))
	})
}

// has looks a key up among those that are sorted.
func (k *keySet) has(key [16]byte) bool {
	_, found := slices.BinarySearchFunc(k.keys, key, func(a keyAt, key [16]byte) int { return bytes.Compare(a.key[:], key[:]) })
	return found
}

// checkKeys looks for keys of a table that stand twice, and for references to
// it that lead to no row.
func (v *verifier) checkKeys(run *tableRun, from []*tableRun) error {
	for n, k := range run.keys {
		shares := k.shares()
		if shares > 1 && run.broken {
			continue // what could not be read was reported
		}
		for share := range shares {
			if shares > 1 {
				if err := v.readKeys(run, k, share, shares); err != nil {
					return err
				}
			}
			k.sort()
			v.twice(run, k)
			for _, child := range from {
				if n > 0 || child.broken {
					continue
				}
				if err := v.checkReferences(child, run, share, shares); err != nil {
					return err
				}
			}
		}
		k.keys, v.spare = nil, k.keys[:0]
	}
	return nil
}

// readKeys reads one share of a table's keys.
func (v *verifier) readKeys(run *tableRun, k *keySet, share, shares uint64) error {
	if k.keys == nil {
		k.keys, v.spare = v.spare, nil
	}
	k.keys = slices.Grow(k.keys[:0], keysInMemory)
	for part, file := range run.files {
		err := v.eachRow(run, file, func(row int64, cells [][]byte) {
			if key, known := k.of(k.columns, cells); known && shareOf(key, shares) == share {
				k.keys = append(k.keys, keyAt{key, int32(part), int32(row)})
			}
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// twice reports the rows whose key stands in a row before.
func (v *verifier) twice(run *tableRun, k *keySet) {
	type pair struct{ first, again keyAt }
	var pairs []pair
	for i, first := 1, 0; i < len(k.keys); i++ {
		if k.keys[i].key != k.keys[first].key {
			first = i
			continue
		}
		pairs = append(pairs, pair{k.keys[first], k.keys[i]})
	}
	slices.SortFunc(pairs, func(a, b pair) int {
		return cmp.Or(cmp.Compare(a.again.part, b.again.part), cmp.Compare(a.again.row, b.again.row))
	})
	for _, p := range pairs {
		v.fault(k.check, run.files[p.again.part], int64(p.again.row), run.Columns[k.columns[0]].Name, "stands already in %s row %d", run.files[p.first.part], p.first.row)
	}
}

// checkReferences looks up what a table refers to among the keys in memory.
func (v *verifier) checkReferences(run, to *tableRun, share, shares uint64) error {
	for _, fk := range run.ForeignKeys {
		if fk.Table != to.Name {
			continue
		}
		columns, keys := run.indexes(fk.Columns), to.keys[0]
		for _, file := range run.files {
			err := v.eachRow(run, file, func(row int64, cells [][]byte) {
				if key, known := keys.of(columns, cells); known && shareOf(key, shares) == share && !keys.has(key) {
					v.fault(CheckForeignKey, file, row, fk.Columns[0], "%.40q is in no row of %s", cells[columns[0]], fk.Table)
				}
			})
			if err != nil {
				return err
			}
		}
	}
	return nil
}
