package picture_test

import (
	"bytes"
	"encoding/binary"
	"errors"
	"hash/crc32"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"io"
	"math/rand/v2"
	"testing"

	"ductledger/domain/picture"
)

// corners is a picture whose four corners differ: red, green, blue, white,
// from the left upper one clockwise.
func corners(w, h int) *image.RGBA {
	m := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			c := color.RGBA{255, 0, 0, 255}
			switch {
			case x >= w/2 && y < h/2:
				c = color.RGBA{0, 255, 0, 255}
			case x >= w/2:
				c = color.RGBA{0, 0, 255, 255}
			case y >= h/2:
				c = color.RGBA{255, 255, 255, 255}
			}
			m.SetRGBA(x, y, c)
		}
	}
	return m
}

func jpegOf(t *testing.T, m image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: 95}); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func pngOf(t *testing.T, m image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := png.Encode(&b, m); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// place is what a phone writes: the words stand for a position.
const place = "GPS 44.05 -123.09"

// withExif puts an Exif segment with a direction and a place behind a JPEG's
// first marker (CIPA DC-008 [mem]: APP1, "Exif\0\0", a TIFF header, tag 0x0112).
func withExif(jpeg []byte, order binary.AppendByteOrder, direction uint16) []byte {
	var tiff []byte
	if order == binary.AppendByteOrder(binary.BigEndian) {
		tiff = append(tiff, "MM"...)
	} else {
		tiff = append(tiff, "II"...)
	}
	tiff = order.AppendUint16(tiff, 42)
	tiff = order.AppendUint32(tiff, 8)
	tiff = order.AppendUint16(tiff, 2)
	for _, entry := range []struct{ tag, kind, count, value uint16 }{{0x010f, 2, 4, 0x4142}, {0x0112, 3, 1, direction}} {
		tiff = order.AppendUint16(tiff, entry.tag)
		tiff = order.AppendUint16(tiff, entry.kind)
		tiff = order.AppendUint32(tiff, uint32(entry.count))
		tiff = order.AppendUint16(tiff, entry.value)
		tiff = order.AppendUint16(tiff, 0)
	}
	tiff = append(order.AppendUint32(tiff, 0), place...)
	segment := append([]byte("Exif\x00\x00"), tiff...)
	out := append([]byte{}, jpeg[:2]...)
	out = append(out, 0xff, 0xe1)
	out = binary.BigEndian.AppendUint16(out, uint16(len(segment)+2))
	return append(append(out, segment...), jpeg[2:]...)
}

func decoded(t *testing.T, b []byte) image.Image {
	t.Helper()
	m, _, err := image.Decode(bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func nearest(c color.Color) string {
	r, g, b, _ := c.RGBA()
	switch high := func(v uint32) bool { return v > 0x8000 }; {
	case high(r) && high(g) && high(b):
		return "white"
	case high(r):
		return "red"
	case high(g):
		return "green"
	case high(b):
		return "blue"
	}
	return "dark"
}

// What stands in the left upper, right upper, right lower and left lower
// corner of the upright picture, by the direction that Exif names: 6 is a
// picture that was stored lying on its left side, and so on [mem].
var uprights = map[uint16][4]string{
	0: {"red", "green", "blue", "white"}, 1: {"red", "green", "blue", "white"}, 2: {"green", "red", "white", "blue"},
	3: {"blue", "white", "red", "green"}, 4: {"white", "blue", "green", "red"}, 5: {"red", "white", "blue", "green"},
	6: {"white", "red", "green", "blue"}, 7: {"blue", "green", "red", "white"}, 8: {"green", "blue", "white", "red"},
	9: {"red", "green", "blue", "white"},
}

func TestPicturesAreTurnedUpright(t *testing.T) {
	t.Parallel()
	gray := image.NewGray(image.Rect(0, 0, 64, 32))
	for y := range 32 {
		for x := range 64 {
			if x >= 32 && y < 16 { // bright in the right upper corner
				gray.SetGray(x, y, color.Gray{255})
			}
		}
	}
	// The color planes of a JPEG are half as wide and high as the picture; an
	// odd side takes another way through the code than an even one.
	for _, size := range []image.Point{{64, 32}, {63, 33}} {
		stored := jpegOf(t, corners(size.X, size.Y))
		for direction, want := range uprights {
			for _, order := range []binary.AppendByteOrder{binary.BigEndian, binary.LittleEndian} {
				c, err := picture.Clean(bytes.NewReader(withExif(stored, order, direction)), picture.DefaultLimits())
				if err != nil {
					t.Fatalf("direction %d: %v", direction, err)
				}
				lies := direction >= 5 && direction <= 8
				if w, h := size.X, size.Y; lies && (c.WidthPx != h || c.HeightPx != w) || !lies && (c.WidthPx != w || c.HeightPx != h) {
					t.Errorf("direction %d: %d × %d", direction, c.WidthPx, c.HeightPx)
				}
				for what, b := range map[string][]byte{"shown": c.Shown, "thumbnail": c.Thumbnail} {
					m := decoded(t, b)
					w, h := m.Bounds().Dx(), m.Bounds().Dy()
					got := [4]string{nearest(m.At(w/4, h/4)), nearest(m.At(3*w/4, h/4)), nearest(m.At(3*w/4, 3*h/4)), nearest(m.At(w/4, 3*h/4))}
					if got != want {
						t.Errorf("%v direction %d, %s: %v, not %v", size, direction, what, got, want)
					}
				}
			}
		}
	}
	c, err := picture.Clean(bytes.NewReader(withExif(jpegOf(t, gray), binary.BigEndian, 6)), picture.DefaultLimits())
	if err != nil {
		t.Fatal(err)
	}
	if m := decoded(t, c.Shown); nearest(m.At(24, 48)) != "white" || nearest(m.At(24, 16)) != "dark" || nearest(m.At(8, 48)) != "dark" {
		t.Error("a gray picture is not turned")
	}
}

// Nothing but pixels leaves: no place, no words, no bytes behind the end.
func TestNothingButPixelsIsLeft(t *testing.T) {
	t.Parallel()
	const script = "<script>alert(1)</script>"
	photo := corners(120, 80)
	asPNG := pngOf(t, photo)
	chunk := append([]byte("tEXt"), "Comment\x00"+place...)
	var text []byte
	text = binary.BigEndian.AppendUint32(text, uint32(len(chunk)-4))
	text = append(text, chunk...)
	text = binary.BigEndian.AppendUint32(text, crc32.ChecksumIEEE(chunk))
	asPNG = append(append(append([]byte{}, asPNG[:33]...), text...), asPNG[33:]...) // behind the header
	for name, b := range map[string][]byte{"JPEG": withExif(jpegOf(t, photo), binary.LittleEndian, 1), "PNG": asPNG} {
		b = append(b, script...)
		c, err := picture.Clean(bytes.NewReader(b), picture.DefaultLimits())
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		for what, out := range map[string][]byte{"shown": c.Shown, "thumbnail": c.Thumbnail} {
			for _, canary := range []string{place, script, "Exif", "tEXt", "GPS"} {
				if bytes.Contains(out, []byte(canary)) {
					t.Errorf("%s %s still holds %q", name, what, canary)
				}
			}
			if m := decoded(t, out); nearest(m.At(5, 5)) != "red" {
				t.Errorf("%s %s shows something else", name, what)
			}
		}
	}
}

// header is the start of a PNG of any size, as few bytes as a bomb needs.
func header(w, h uint32) []byte {
	chunk := binary.BigEndian.AppendUint32([]byte("IHDR"), w)
	chunk = append(binary.BigEndian.AppendUint32(chunk, h), 8, 2, 0, 0, 0)
	out := binary.BigEndian.AppendUint32([]byte("\x89PNG\r\n\x1a\n"), 13)
	out = append(out, chunk...)
	return binary.BigEndian.AppendUint32(out, crc32.ChecksumIEEE(chunk))
}

func TestWhatIsRefused(t *testing.T) {
	t.Parallel()
	photo := jpegOf(t, corners(64, 64))
	broken := errors.New("the link broke")
	for name, c := range map[string]struct {
		r    io.Reader
		want error
	}{
		"nothing":                    {bytes.NewReader(nil), picture.ErrNoPicture},
		"words":                      {bytes.NewReader([]byte("<svg onload=alert(1)>")), picture.ErrNoPicture},
		"144 million pixels":         {bytes.NewReader(header(12000, 12000)), picture.ErrTooLarge},
		"sides whose product is big": {bytes.NewReader(header(1<<16, 1<<16)), picture.ErrTooLarge},
		"one pixel over":             {bytes.NewReader(header(40_000_001, 1)), picture.ErrTooLarge},
		"just at the limit, cut":     {bytes.NewReader(header(40_000_000, 1)), picture.ErrUnreadable},
		"no width":                   {bytes.NewReader(header(0, 5)), picture.ErrUnreadable},
		"cut in the middle":          {bytes.NewReader(photo[:len(photo)/2]), picture.ErrUnreadable},
		"a marker alone":             {bytes.NewReader([]byte{0xff, 0xd8, 0xff}), picture.ErrUnreadable},
		"a link that breaks":         {io.MultiReader(bytes.NewReader(photo[:100]), failing{broken}), broken},
	} {
		if _, err := picture.Clean(c.r, picture.DefaultLimits()); !errors.Is(err, c.want) {
			t.Errorf("%s: %v, not %v", name, err, c.want)
		}
	}
}

type failing struct{ err error }

func (f failing) Read([]byte) (int, error) { return 0, f.err }

// scene is a picture of soft fields that differ by seed.
func scene(seed uint64, w, h int) *image.RGBA {
	r := rand.New(rand.NewPCG(seed, 1))
	var level [12][12]uint8
	for y := range level {
		for x := range level[y] {
			level[y][x] = uint8(r.IntN(256))
		}
	}
	m := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			v := level[y*12/h][x*12/w]
			m.SetRGBA(x, y, color.RGBA{v, v / 2, 255 - v, 255})
		}
	}
	return m
}

func TestPicturesThatLookAlike(t *testing.T) {
	t.Parallel()
	clean := func(b []byte) picture.Digest {
		c, err := picture.Clean(bytes.NewReader(b), picture.DefaultLimits())
		if err != nil {
			t.Fatal(err)
		}
		return c.Digest
	}
	var seen []picture.Digest
	for seed := range uint64(15) {
		m := scene(seed, 640, 480)
		d := clean(jpegOf(t, m))
		var rough bytes.Buffer
		if err := jpeg.Encode(&rough, m, &jpeg.Options{Quality: 40}); err != nil {
			t.Fatal(err)
		}
		for what, again := range map[string]picture.Digest{"encoded again": clean(rough.Bytes()), "scaled": clean(jpegOf(t, scene(seed, 1280, 960))), "as PNG": clean(pngOf(t, m))} {
			if !d.Like(again) {
				t.Errorf("scene %d %s is not like itself: %x %x", seed, what, d, again)
			}
		}
		for i, other := range seen {
			if d.Like(other) {
				t.Errorf("scenes %d and %d look alike", seed, i)
			}
		}
		seen = append(seen, d)
	}
	even := clean(jpegOf(t, image.NewGray(image.Rect(0, 0, 64, 64))))
	if even != 0 || even.Like(even) {
		t.Errorf("a dark picture tells %x", even)
	}
}

// Whatever differs in at most LikeBits bits shares a band: pigeonholes.
func TestLikeDigestsShareABand(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(7, 7))
	for range 20_000 {
		d := picture.Digest(r.Uint64())
		other := d
		for range r.IntN(picture.LikeBits + 1) {
			other ^= 1 << r.IntN(64)
		}
		if !d.Like(other) && d != 0 && other != 0 {
			t.Fatalf("%x and %x are not alike", d, other)
		}
		a, b := d.Bands(), other.Bands()
		shared := false
		for i := range a {
			shared = shared || a[i] == b[i]
			for j := range a {
				if i != j && a[i] == b[j] {
					t.Fatalf("band %d of %x is band %d of %x", i, d, j, other)
				}
			}
		}
		if !shared {
			t.Fatalf("%x and %x share no band", d, other)
		}
	}
}

func FuzzClean(f *testing.F) {
	var b bytes.Buffer
	_ = jpeg.Encode(&b, corners(16, 8), nil)
	f.Add(b.Bytes())
	f.Add(withExif(b.Bytes(), binary.BigEndian, 6))
	f.Add(header(9, 9))
	l := picture.DefaultLimits()
	l.MostPx = 1 << 16
	f.Fuzz(func(t *testing.T, in []byte) {
		c, err := picture.Clean(bytes.NewReader(in), l)
		if err != nil {
			return
		}
		m, _, err := image.Decode(bytes.NewReader(c.Shown))
		if err != nil || m.Bounds().Dx() != c.WidthPx || m.Bounds().Dy() != c.HeightPx || c.WidthPx*c.HeightPx > l.MostPx {
			t.Fatalf("what is shown: %v, %d × %d", err, c.WidthPx, c.HeightPx)
		}
	})
}
