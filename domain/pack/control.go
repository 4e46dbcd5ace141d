package pack

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"hash"
	"hash/crc32"
	"math"
	"math/big"
)

// Control totals, one row per file and column, as bank clearing files have
// them. For the cells v(1) … v(N) of a column, as they stand in the file after
// the quotes are undone, empty ones as "":
//
//	rows_count        N, header excluded
//	known_count       cells that are not empty
//	total             exact sum of an integer or number column
//	id_hash           XOR over the rows of the first 8 bytes of
//	                  SHA-256(key), on the line of the key's first column;
//	                  the cells of a key of several are joined by U+001F
//	cells_hash        A = Σ crc(v(i))     mod 2^64, CRC-32 of IEEE 802.3
//	cells_by_row_hash B = Σ i·crc(v(i))   mod 2^64
//
// Order of the rows does not matter to the first four, so they can be
// recounted in a spreadsheet or by SQL. A and B find what these do not: one
// altered cell in row i changes A by d ≠ 0 (but for one alteration in 2^32)
// and B by exactly i·d, so that i = ΔB/ΔA names the row. N ≤ 2^24 keeps i·d
// within 63 bits.
const controlName = "control"

// maxRows of one package that is verified: the key of each takes 24 bytes meanwhile.
const maxRows = 1 << 24

// ControlTable describes data/control.csv of a package with these tables: its
// total has as many decimals as any of their columns.
func ControlTable(tables []Table) Table {
	required := Constraints{Required: true}
	decimals := 0
	for _, t := range tables {
		for _, c := range t.Columns {
			decimals = max(decimals, c.Decimals)
		}
	}
	return Table{
		Name: controlName, Title: "Control totals",
		Description: "Per file and column: rows, known cells, exact sum, and three hashes, to be recounted by whoever receives the package.",
		PrimaryKey:  []string{"file_name", "column_name"},
		Columns: []Column{
			{Name: "file_name", Type: Text, Description: "File below data/", Example: "jobs.csv", Constraints: required},
			{Name: "column_name", Type: Text, Description: "Column of that file", Example: "leakage_cfm25", Constraints: required},
			{Name: "rows_count", Type: Integer, Description: "Rows of the file, header excluded", Example: "120", Constraints: Constraints{Required: true, Minimum: "0"}},
			{Name: "known_count", Type: Integer, Description: "Cells of the column that are not empty", Example: "118", Constraints: Constraints{Required: true, Minimum: "0"}},
			{Name: "total", Type: Number, Decimals: decimals, Description: "Exact sum of an integer or number column, with as many digits after the point as the column has", Example: "14203"},
			{Name: "id_hash", Type: Code, Description: "x and 16 hexadecimal digits: XOR over all rows of the first 8 bytes of SHA-256 of the primary key, on the line of the key's first column", Example: "x00f3a8c2115e9b07"},
			{Name: "cells_hash", Type: Code, Description: "x and 16 hexadecimal digits: sum over all rows of CRC-32 of the cell, modulo 2^64", Example: "x0000003a8c2115e9", Constraints: required},
			{Name: "cells_by_row_hash", Type: Code, Description: "The same with each CRC-32 multiplied by the row's number, the first row below the header being 1", Example: "x000013a8c2115e9b", Constraints: required},
		},
	}
}

// totals of one file; memory does not grow with its rows.
type totals struct {
	rows    int64
	ids     uint64
	columns []columnTotals
	key     []byte
	cell    []byte
	sha     hash.Hash
	digest  []byte
}

type columnTotals struct {
	known        int64
	sum          exactSum
	cells, byRow uint64
}

func newTotals(l *layout) *totals {
	return &totals{columns: make([]columnTotals, len(l.Columns)), sha: sha256.New()}
}

func (t *totals) add(l *layout, cells []string, ordinals []int64) {
	t.rows++
	for i, cell := range cells {
		if cell == "" {
			continue
		}
		c := &t.columns[i]
		c.known++
		t.cell = append(t.cell[:0], cell...)
		crc := uint64(crc32.ChecksumIEEE(t.cell))
		c.cells += crc
		c.byRow += uint64(t.rows) * crc
		if l.cells[i].typ == Integer || l.cells[i].typ == Number {
			c.sum.add(ordinals[i])
		}
	}
	t.key = appendKey(t.key[:0], l.key, cells)
	t.sha.Reset()
	t.sha.Write(t.key)
	t.digest = t.sha.Sum(t.digest[:0])
	t.ids ^= binary.BigEndian.Uint64(t.digest)
}

// appendKey joins the cells of a key by U+001F, which no id holds.
func appendKey(b []byte, key []int, cells []string) []byte {
	for n, i := range key {
		if n > 0 {
			b = append(b, 0x1f)
		}
		b = append(b, cells[i]...)
	}
	return b
}

// lines are the rows of control.csv for one table.
func (t *totals) lines(l *layout) [][]string {
	var out [][]string
	for i, c := range l.Columns {
		ct := &t.columns[i]
		total, ids := "", ""
		if c.numeric() {
			total = ct.sum.text(c.Decimals)
		}
		if i == l.key[0] {
			ids = hex64(t.ids)
		}
		out = append(out, []string{l.file(), c.Name, itoa(t.rows), itoa(ct.known), total, ids, hex64(ct.cells), hex64(ct.byRow)})
	}
	return out
}

// hex64 puts a letter in front: a spreadsheet would read 1e5… as a number.
func hex64(v uint64) string { return fmt.Sprintf("x%016x", v) }

// An exactSum adds 64-bit numbers without ever losing a digit.
type exactSum struct {
	part int64
	over big.Int // what did not fit
}

func (s *exactSum) add(v int64) {
	if v > 0 && s.part > math.MaxInt64-v || v < 0 && s.part < math.MinInt64-v {
		s.over.Add(&s.over, big.NewInt(s.part))
		s.part = 0
	}
	s.part += v
}

// text writes the sum, given in units of the last decimal.
func (s *exactSum) text(decimals int) string {
	if s.over.Sign() == 0 {
		return Scaled(s.part, decimals)
	}
	var v, unit, whole, rest big.Int
	v.Add(&s.over, big.NewInt(s.part))
	sign := ""
	if v.Sign() < 0 {
		sign = "-"
		v.Neg(&v)
	}
	unit.Exp(big.NewInt(10), big.NewInt(int64(decimals)), nil)
	whole.QuoRem(&v, &unit, &rest)
	if decimals == 0 {
		return sign + whole.String()
	}
	return fmt.Sprintf("%s%s.%0*d", sign, whole.String(), decimals, rest.Int64())
}
