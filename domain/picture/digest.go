package picture

import (
	"image"
	"math/bits"
)

// Digest tells pictures that look alike. Zero: the picture is so even that
// nothing could be told from it.
type Digest uint64

const (
	fields = 8 // of the grid, each way

	// LikeBits is the most bits by which the digests of one picture, scaled or
	// encoded again, are taken to differ. [cp]
	LikeBits = 3
)

// Like tells whether two pictures look alike.
func (d Digest) Like(other Digest) bool {
	return d != 0 && other != 0 && d.Differ(other) <= LikeBits
}

// Bands cuts a digest into LikeBits + 1 parts. Two digests that differ in at
// most LikeBits bits have at least one part in common, so those that are like
// a picture are found among those that share a band with it, by an index and
// without reading all. The upper bits of each band tell which one it is.
func (d Digest) Bands() [LikeBits + 1]uint32 {
	const width = 64 / (LikeBits + 1)
	var b [LikeBits + 1]uint32
	for i := range b {
		b[i] = uint32(i)<<width | uint32(d>>(i*width))&(1<<width-1)
	}
	return b
}

// evenness is the least difference of brightness, of 255, between the
// brightest and the darkest field of a picture that can be told from others.
const evenness = 16

// digestOf compares the mean brightness of each field of a grid of 9 × 8 with
// that of its neighbor to the right.
func digestOf(m *image.RGBA) Digest {
	b := m.Bounds()
	if b.Dx() < fields+1 || b.Dy() < fields {
		return 0
	}
	var grid [fields][fields + 1]int
	darkest, brightest := 255, 0
	for gy := range fields {
		for gx := range fields + 1 {
			x0, x1 := b.Dx()*gx/(fields+1), b.Dx()*(gx+1)/(fields+1)
			y0, y1 := b.Dy()*gy/fields, b.Dy()*(gy+1)/fields
			sum := 0
			for y := y0; y < y1; y++ {
				for x := x0; x < x1; x++ {
					p := m.Pix[m.PixOffset(x, y):]
					sum += 299*int(p[0]) + 587*int(p[1]) + 114*int(p[2]) // ITU-R BT.601 [mem]
				}
			}
			v := sum / (1000 * (x1 - x0) * (y1 - y0))
			grid[gy][gx] = v
			darkest, brightest = min(darkest, v), max(brightest, v)
		}
	}
	if brightest-darkest < evenness {
		return 0
	}
	var d Digest
	for gy := range fields {
		for gx := range fields {
			d <<= 1
			if grid[gy][gx] > grid[gy][gx+1] {
				d |= 1
			}
		}
	}
	return d
}

// Differ counts the bits in which two digests differ.
func (d Digest) Differ(other Digest) int { return bits.OnesCount64(uint64(d ^ other)) }
