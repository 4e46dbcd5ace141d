package performance

import (
	"encoding/binary"
	"fmt"
	"math"
	"time"

	"ductledger/domain"
	"ductledger/domain/leakage"
	"ductledger/domain/performance"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"
)

// cells reads the columns of a row from left to right in Postgres's binary
// form. Scanning into variables by reflection took longer than the database
// did for the same hundred thousand rows.
type cells struct {
	values [][]byte
	next   int
	bad    bool // a column had another length than its type has
}

func (c *cells) cell(size int) []byte {
	v := c.values[c.next]
	c.next++
	if v != nil && size > 0 && len(v) != size {
		c.bad = true
		return nil
	}
	return v
}

func (c *cells) id() (id domain.UUID) {
	copy(id[:], c.cell(16))
	return id
}

func (c *cells) number() (n int64, known bool) {
	v := c.cell(8)
	if v == nil {
		return 0, false
	}
	return int64(binary.BigEndian.Uint64(v)), true
}

// optionalNumber is a number that may be absent, and then 0.
type optionalNumber struct {
	n     int64
	known bool
}

func (n *optionalNumber) pointer() *int64 {
	if !n.known {
		return nil
	}
	return &n.n
}

func (c *cells) optional() (n optionalNumber) {
	n.n, n.known = c.number()
	return n
}

// count is one of at most 32 bits.
func (c *cells) count() (n int, known bool) {
	v := c.cell(4)
	if v == nil {
		return 0, false
	}
	return int(int32(binary.BigEndian.Uint32(v))), true
}

func (c *cells) truth() bool {
	v := c.cell(1)
	return v != nil && v[0] != 0
}

// postgresEpoch is the moment from which timestamps are counted, in µs of Unix.
const postgresEpoch = 946684800 * 1_000_000

func (c *cells) moment() time.Time {
	n, known := c.number()
	if !known {
		return time.Time{}
	}
	return time.UnixMicro(n + postgresEpoch).UTC()
}

// optional are the numbers of a job that may be absent.
type optional struct {
	before, after int64
	area          float64
}

// rooms hands out places for what may be absent, of many jobs at a time: one allocation
// a row cost as much as reading it.
type rooms[T any] []T

func (r *rooms[T]) next() *T {
	if len(*r) == 0 {
		*r = make(rooms[T], 512)
	}
	room := &(*r)[0]
	*r = (*r)[1:]
	return room
}

// jobOfRow reads a row of performanceJobsSQL.
func jobOfRow(rows pgx.Rows, kept *optional) (performance.Job, error) {
	c := cells{values: rows.RawValues()}
	j := performance.Job{ID: c.id(), HomeID: c.id(), ContractorID: c.id(), Shared: c.truth(), CrewLeadID: c.id()}
	j.Class, j.PayBasis = word(c.cell(0)), word(c.cell(0))
	var known bool
	if kept.before, known = c.number(); known {
		j.BeforeTenths = &kept.before
	}
	if kept.after, known = c.number(); known {
		j.AfterTenths = &kept.after
	}
	if bits, known := c.number(); known {
		kept.area = math.Float64frombits(uint64(bits))
		j.AreaFt2 = &kept.area
	}
	j.Extrapolated, j.AfterBelowRange = c.truth(), c.truth()
	j.AcceptedAt = c.moment()
	j.Excluded = c.truth()
	j.Questioned = c.truth()
	j.Quantity = domain.Method(word(c.cell(0))).Quantity()
	j.Undecided = string(c.cell(0)) == string(leakage.Undecided)
	if together, known := c.number(); known {
		j.Together = uint64(together)
	}
	if c.bad {
		return j, fmt.Errorf("job %s: a column has not the length of its type", j.ID)
	}
	return j, nil
}

// binaryColumns refuses rows in the text form, which some poolers force.
func binaryColumns(rows pgx.Rows) error {
	for _, f := range rows.FieldDescriptions() {
		if f.Format != pgx.BinaryFormatCode && f.DataTypeOID != pgtype.TextOID {
			return fmt.Errorf("column %s comes as text", f.Name)
		}
	}
	return nil
}

// word is one of a few words without a copy of its own.
func word(b []byte) string {
	switch string(b) {
	case performance.Measured:
		return performance.Measured
	case performance.Deemed:
		return performance.Deemed
	case string(domain.FanTotal):
		return string(domain.FanTotal)
	case "single":
		return "single"
	case "double":
		return "double"
	case "triple":
		return "triple"
	}
	return string(b)
}
