package picture

import (
	"encoding/binary"
	"image"
	"image/color"
)

// orientation reads from the first bytes of a JPEG which way up it is: 1 to 8
// as in Exif (CIPA DC-008, tag 0x0112), 1 where nothing is said or what is
// said cannot be read. [mem]
func orientation(jpeg []byte) int {
	for at := 2; at+4 <= len(jpeg) && jpeg[at] == 0xff; {
		marker, length := jpeg[at+1], int(binary.BigEndian.Uint16(jpeg[at+2:]))
		if marker == 0xda || length < 2 || at+2+length > len(jpeg) { // the picture itself begins
			return 1
		}
		segment := jpeg[at+4 : at+2+length]
		if marker == 0xe1 && len(segment) > 6 && string(segment[:6]) == "Exif\x00\x00" {
			return orientationOf(segment[6:])
		}
		at += 2 + length
	}
	return 1
}

// orientationOf looks through the first directory of a TIFF header.
func orientationOf(tiff []byte) int {
	if len(tiff) < 8 {
		return 1
	}
	var order binary.ByteOrder
	switch string(tiff[:2]) {
	case "II":
		order = binary.LittleEndian
	case "MM":
		order = binary.BigEndian
	default:
		return 1
	}
	at := int64(order.Uint32(tiff[4:]))
	if at+2 > int64(len(tiff)) {
		return 1
	}
	count := int64(order.Uint16(tiff[at:]))
	for i := range count {
		entry := at + 2 + i*12
		if entry+12 > int64(len(tiff)) {
			return 1
		}
		if order.Uint16(tiff[entry:]) == 0x0112 {
			if v := int(order.Uint16(tiff[entry+8:])); v >= 1 && v <= 8 {
				return v
			}
			return 1
		}
	}
	return 1
}

// turn says where a pixel of the upright picture comes from: of the stored
// one's width and height w and h.
type turn struct {
	swap         bool // width and height change places
	right, lower bool // counted from the right side, from the lower side
}

var turns = [9]turn{
	1: {}, 2: {right: true}, 3: {right: true, lower: true}, 4: {lower: true},
	5: {swap: true}, 6: {swap: true, lower: true}, 7: {swap: true, right: true, lower: true}, 8: {swap: true, right: true},
}

// from is the stored place of the upright place (x, y).
func (t turn) from(x, y, w, h int) (int, int) {
	if t.swap {
		x, y = y, x
	}
	if t.right {
		x = w - 1 - x
	}
	if t.lower {
		y = h - 1 - y
	}
	return x, y
}

// upright turns a stored picture. A photo's three planes are turned as they
// are, which takes a third of the memory of colors by pixel.
func upright(m image.Image, orientation int) image.Image {
	t := turns[orientation]
	if t == (turn{}) {
		return m
	}
	b := m.Bounds()
	size := image.Rect(0, 0, b.Dx(), b.Dy())
	if t.swap {
		size = image.Rect(0, 0, b.Dy(), b.Dx())
	}
	switch m := m.(type) {
	case *image.YCbCr:
		ratio, known := m.SubsampleRatio, true
		if t.swap {
			ratio, known = swapped[ratio]
		}
		if known && whole(m) {
			out := image.NewYCbCr(size, ratio)
			turnPlane(out.Y, out.YStride, size.Dx(), size.Dy(), m.Y, m.YStride, t)
			cw, ch := chroma(ratio, size.Dx(), size.Dy())
			turnPlane(out.Cb, out.CStride, cw, ch, m.Cb, m.CStride, t)
			turnPlane(out.Cr, out.CStride, cw, ch, m.Cr, m.CStride, t)
			return out
		}
	case *image.Gray:
		out := image.NewGray(size)
		turnPlane(out.Pix, out.Stride, size.Dx(), size.Dy(), m.Pix[m.PixOffset(b.Min.X, b.Min.Y):], m.Stride, t)
		return out
	}
	return turned{m, size, t}
}

// swapped are the ratios of planes whose sides change places.
var swapped = map[image.YCbCrSubsampleRatio]image.YCbCrSubsampleRatio{
	image.YCbCrSubsampleRatio444: image.YCbCrSubsampleRatio444, image.YCbCrSubsampleRatio420: image.YCbCrSubsampleRatio420,
	image.YCbCrSubsampleRatio422: image.YCbCrSubsampleRatio440, image.YCbCrSubsampleRatio440: image.YCbCrSubsampleRatio422,
}

// whole tells pictures whose sides the color planes divide: only these can be
// counted from the far side without moving color by half a field.
func whole(m *image.YCbCr) bool {
	b := m.Bounds()
	return b.Min == image.Point{} && b.Dx()%2 == 0 && b.Dy()%2 == 0
}

func chroma(ratio image.YCbCrSubsampleRatio, w, h int) (int, int) {
	switch ratio {
	case image.YCbCrSubsampleRatio420:
		return w / 2, h / 2
	case image.YCbCrSubsampleRatio422:
		return w / 2, h
	case image.YCbCrSubsampleRatio440:
		return w, h / 2
	}
	return w, h
}

// turnPlane fills a plane of ow × oh from a stored one.
func turnPlane(out []byte, outStride, ow, oh int, in []byte, inStride int, t turn) {
	w, h := ow, oh
	if t.swap {
		w, h = oh, ow
	}
	for y := range oh {
		row := out[y*outStride : y*outStride+ow]
		for x := range row {
			fx, fy := t.from(x, y, w, h)
			row[x] = in[fy*inStride+fx]
		}
	}
}

// turned is any other picture, turned while it is read.
type turned struct {
	image.Image
	size image.Rectangle
	t    turn
}

func (m turned) Bounds() image.Rectangle { return m.size }
func (m turned) At(x, y int) color.Color {
	b := m.Image.Bounds()
	fx, fy := m.t.from(x, y, b.Dx(), b.Dy())
	return m.Image.At(b.Min.X+fx, b.Min.Y+fy)
}
