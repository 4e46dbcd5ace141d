package picture

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"image/png"
	"io"
	"slices"

	"golang.org/x/image/draw"
)

// Why a picture is refused, to be asked for with errors.Is.
var (
	ErrUnreadable = errors.New("the bytes are no picture that can be opened")
	ErrTooLarge   = errors.New("the picture has too many pixels")
	ErrNoPicture  = errors.New("the bytes are no JPEG, PNG or HEIC")
)

// Limits of a picture.
type Limits struct {
	MostPx      int // width times height as sent
	ThumbnailPx int // longest side of the small picture
	Quality     int // of a JPEG, 1 to 100
}

// DefaultLimits: twice the pixels of common phones; a small picture that
// still shows a tape's figures in a list; a quality at which the eye sees no
// loss. [cp]
func DefaultLimits() Limits { return Limits{MostPx: 40_000_000, ThumbnailPx: 320, Quality: 85} }

// Types that Clean opens, and the one that is kept and handed out as a file:
// no decoder of it in Go alone is kept well enough to be given a stranger's bytes.
const (
	JPEG = "image/jpeg"
	PNG  = "image/png"
	HEIC = "image/heic"
)

// IsFile tells from its first bytes a picture that is kept as it is: HEIC, whose
// first box names one of these brands (ISO/IEC 23008-12, annex B). [mem]
func IsFile(first []byte) bool {
	return len(first) >= 12 && string(first[4:8]) == "ftyp" && slices.Contains([]string{"heic", "heix", "heim", "heis", "mif1"}, string(first[8:12]))
}

// Header is what the first bytes tell of a picture.
type Header struct {
	MediaType   string // by the bytes, whatever a record says
	WidthPx     int    // as stored, before it is turned upright
	HeightPx    int
	orientation int // of Exif, 1 to 8
}

// HeaderBytes is as far as the header is looked for. The metadata before it is
// made of segments of at most 64 KiB, of which phones write a few.
const HeaderBytes = 1 << 20

// ReadHeader reads type and size from the first bytes, ErrUnreadable where
// they are no JPEG or PNG, ErrTooLarge beyond the limit.
func ReadHeader(first []byte, l Limits) (Header, error) {
	h := Header{orientation: 1}
	var size image.Config
	var err error
	switch {
	case bytes.HasPrefix(first, []byte("\xff\xd8\xff")):
		h.MediaType, h.orientation = JPEG, orientation(first)
		size, err = jpeg.DecodeConfig(bytes.NewReader(first))
	case bytes.HasPrefix(first, []byte("\x89PNG\r\n\x1a\n")):
		h.MediaType = PNG
		size, err = png.DecodeConfig(bytes.NewReader(first))
	default:
		return h, ErrNoPicture
	}
	if err != nil {
		return h, fmt.Errorf("%w: %w", ErrUnreadable, err)
	}
	h.WidthPx, h.HeightPx = size.Width, size.Height
	if h.WidthPx < 1 || h.HeightPx < 1 {
		return h, fmt.Errorf("%w: it is %d × %d pixels", ErrUnreadable, h.WidthPx, h.HeightPx)
	}
	if int64(h.WidthPx)*int64(h.HeightPx) > int64(l.MostPx) {
		return h, fmt.Errorf("%w: it is %d × %d, the limit is %d in all", ErrTooLarge, h.WidthPx, h.HeightPx, l.MostPx)
	}
	return h, nil
}

// Cleaned is a picture that may be shown.
type Cleaned struct {
	MediaType         string
	WidthPx, HeightPx int // upright
	Shown, Thumbnail  []byte
	Digest            Digest
}

// Clean decodes a picture, turns it upright and encodes it and a small one
// anew. Errors as of ReadHeader, or the reader's own.
func Clean(r io.Reader, l Limits) (Cleaned, error) {
	in := bufio.NewReaderSize(r, HeaderBytes)
	first, err := in.Peek(HeaderBytes)
	if err != nil && err != io.EOF {
		return Cleaned{}, fmt.Errorf("read a picture: %w", err)
	}
	h, err := ReadHeader(first, l)
	if err != nil {
		return Cleaned{}, err
	}
	seen := &noted{r: in}
	var decoded image.Image
	if h.MediaType == JPEG {
		decoded, err = jpeg.Decode(seen)
	} else {
		decoded, err = png.Decode(seen)
	}
	if seen.err != nil {
		return Cleaned{}, fmt.Errorf("read a picture: %w", seen.err)
	}
	if err != nil {
		return Cleaned{}, fmt.Errorf("%w: %w", ErrUnreadable, err)
	}
	decoded = upright(decoded, h.orientation)
	b := decoded.Bounds()
	c := Cleaned{MediaType: h.MediaType, WidthPx: b.Dx(), HeightPx: b.Dy()}
	small := scaled(decoded, l.ThumbnailPx)
	c.Digest = digestOf(small)
	if c.Thumbnail, err = encoded(small, JPEG, l.Quality); err != nil {
		return Cleaned{}, err
	}
	if c.Shown, err = encoded(decoded, h.MediaType, l.Quality); err != nil {
		return Cleaned{}, err
	}
	return c, nil
}

// noted keeps the reader's own error: a decoder hides whether the picture is
// cut or the way to its bytes broke.
type noted struct {
	r   io.Reader
	err error
}

func (n *noted) Read(p []byte) (int, error) {
	k, err := n.r.Read(p)
	if err != nil && err != io.EOF {
		n.err = err
	}
	return k, err
}

func encoded(m image.Image, mediaType string, quality int) ([]byte, error) {
	var out bytes.Buffer
	var err error
	if mediaType == PNG {
		err = png.Encode(&out, m)
	} else {
		err = jpeg.Encode(&out, m, &jpeg.Options{Quality: quality})
	}
	if err != nil {
		return nil, fmt.Errorf("encode a picture: %w", err)
	}
	return out.Bytes(), nil
}

// scaled gives a picture whose longest side is at most px, on white where it
// is transparent.
func scaled(m image.Image, px int) *image.RGBA {
	b := m.Bounds()
	w, h := b.Dx(), b.Dy()
	if longest := max(w, h); longest > px {
		w, h = max(1, w*px/longest), max(1, h*px/longest)
	}
	out := image.NewRGBA(image.Rect(0, 0, w, h))
	draw.Draw(out, out.Bounds(), image.White, image.Point{}, draw.Src)
	draw.ApproxBiLinear.Scale(out, out.Bounds(), m, b, draw.Over, nil)
	return out
}
