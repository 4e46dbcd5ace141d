package performance

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"math"
	"math/bits"
)

// A digest tells whether two answers rest on the same jobs: the sum modulo
// 2^256 of the SHA-256 of every job counted in the period, so neither order
// nor partition matters. It finds a changed row; proof against forgery is the
// ledger's chain, not this.
type digest [4]uint64

func (d *digest) add(j *Job) {
	b := make([]byte, 0, 192)
	for _, id := range [...][16]byte{j.ID, j.HomeID, j.ContractorID, j.CrewLeadID} {
		b = append(b, id[:]...)
	}
	for _, text := range [...]string{j.Class, j.PayBasis, string(j.Quantity)} {
		b = append(binary.BigEndian.AppendUint64(b, uint64(len(text))), text...)
	}
	for _, tenths := range [...]*int64{j.BeforeTenths, j.AfterTenths} {
		b = appendKnown(b, tenths != nil)
		if tenths != nil {
			b = binary.BigEndian.AppendUint64(b, uint64(*tenths))
		}
	}
	b = appendKnown(b, j.AreaFt2 != nil)
	if j.AreaFt2 != nil {
		b = binary.BigEndian.AppendUint64(b, math.Float64bits(*j.AreaFt2))
	}
	for _, fact := range [...]bool{j.BeforeBelowRange, j.AfterBelowRange, j.Extrapolated, j.Excluded, j.Questioned, j.Shared, j.Undecided} {
		b = appendKnown(b, fact)
	}
	b = binary.BigEndian.AppendUint64(b, j.Together)
	b = binary.BigEndian.AppendUint64(b, uint64(j.AcceptedAt.Unix()))
	b = binary.BigEndian.AppendUint64(b, uint64(j.AcceptedAt.Nanosecond()))
	sum := sha256.Sum256(b)
	var one digest
	for i := range one {
		one[i] = binary.BigEndian.Uint64(sum[8*i:])
	}
	d.merge(one)
}

func appendKnown(b []byte, known bool) []byte {
	if known {
		return append(b, 1)
	}
	return append(b, 0)
}

func (d *digest) merge(o digest) {
	carry := uint64(0)
	for i := len(d) - 1; i >= 0; i-- {
		d[i], carry = bits.Add64(d[i], o[i], carry)
	}
}

// String is 64 hexadecimal digits; zeros where no job was counted.
func (d digest) String() string {
	b := make([]byte, 0, 32)
	for _, v := range d {
		b = binary.BigEndian.AppendUint64(b, v)
	}
	return hex.EncodeToString(b)
}
