package api_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"hash/crc32"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"ductledger/api/apitest"
	"ductledger/api/device"
	"ductledger/domain"
	"ductledger/storage/judgment"
	"ductledger/storage/storagetest"

	"github.com/jackc/pgx/v5"
)

// noise is a picture that hardly compresses, with broad shades of its own for
// each seed: two seeds do not look alike.
func noise(seed uint64, w, h int) *image.RGBA {
	m := image.NewRGBA(image.Rect(0, 0, w, h))
	r := rand.New(rand.NewPCG(seed, 2))
	var shades [8][9]uint8
	for y := range shades {
		for x := range shades[y] {
			shades[y][x] = uint8(r.IntN(128))
		}
	}
	for y := range h {
		for x := range w {
			v, shade := r.Uint32(), shades[y*8/h][x*9/w]
			m.SetRGBA(x, y, color.RGBA{shade + uint8(v)&127, shade + uint8(v>>8)&127, shade + uint8(v>>16)&127, 255})
		}
	}
	return m
}

func asJPEG(t testing.TB, m image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: 97}); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// recorded sends the record of a photo of the bytes, of a job of its own.
func recorded(a *apitest.API, job domain.UUID, content []byte, change ...func(*domain.Photo)) domain.UUID {
	a.T.Helper()
	sum := sha256.Sum256(content)
	id := storagetest.ID()
	p := domain.Photo{JobID: job, SHA256: hex.EncodeToString(sum[:]), BytesCount: int64(len(content)), MediaType: "image/jpeg", WidthPx: 100, HeightPx: 100,
		TakenAt: a.Clock.Now(), Stage: domain.SurveyStage, Subjects: []domain.PhotoSubject{{Kind: domain.JobKind, ID: job}}}
	for _, c := range change {
		c(&p)
	}
	must(a, a.Tokens[domain.Field], item(domain.PhotoKind, id, 0, p))
	return id
}

func pictureAt(id domain.UUID) string { return "/v1/photos/" + id.String() + "/bytes" }

// broken is a link that breaks each time so many bytes have gone up, and counts
// them.
type broken struct {
	net.Listener
	sent     atomic.Int64
	breaking atomic.Int32 // connections of which the service is still keeping what came
}

func breakingLink(t *testing.T, service string, each int64) (address string, link *broken) {
	t.Helper()
	ln, err := new(net.ListenConfig).Listen(context.Background(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	link = &broken{Listener: ln}
	var running sync.WaitGroup
	running.Go(func() {
		for {
			phone, err := ln.Accept()
			if err != nil {
				return
			}
			running.Go(func() {
				defer phone.Close()
				to, err := net.Dial("tcp", strings.TrimPrefix(service, "http://"))
				if err != nil {
					return
				}
				defer to.Close()
				down := make(chan struct{})
				go func() { _, _ = io.Copy(phone, to); close(down) }()
				n, _ := io.Copy(to, io.LimitReader(phone, each))
				link.sent.Add(n)
				if n == each { // the phone's end is cut first; the service's ends once it has kept what came
					link.breaking.Add(1)
					defer link.breaking.Add(-1)
					_ = phone.Close()
				}
				_ = to.(*net.TCPConn).CloseWrite()
				<-down
			})
		}
	})
	t.Cleanup(func() { _ = ln.Close(); running.Wait() })
	return "http://" + ln.Addr().String(), link
}

type oneAlbum map[domain.UUID][]byte

func (o oneAlbum) Picture(id domain.UUID) ([]byte, error) {
	if b, ok := o[id]; ok {
		return b, nil
	}
	return nil, device.ErrNoPicture
}

// A photo of 4 MB over a link that breaks every 200 kB arrives with at most 1.3
// times its size sent: what came of a broken part is kept.
func TestPictureOverALinkThatBreaks(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	content := asJPEG(t, noise(1, 2400, 1800))
	if len(content) < 4_000_000 {
		t.Fatalf("the picture has %d bytes", len(content))
	}
	id := recorded(a, a.Job(t), content)
	address, link := breakingLink(t, a.URL, 200_000)
	allowed := false
	phone, err := device.Open(device.Options{URL: address, Token: a.Tokens[domain.Field], ID: a.Device, Album: oneAlbum{id: content},
		Link: &http.Transport{DisableKeepAlives: true}, PictureLink: func() bool { return allowed },
		Wait: func(context.Context, time.Duration) error { // in place of a phone's seconds
			for link.breaking.Load() > 0 {
				time.Sleep(time.Millisecond)
			}
			return nil
		}})
	if err != nil {
		t.Fatal(err)
	}
	if err := phone.SendPictures(context.Background()); err != nil || link.sent.Load() > 0 {
		t.Fatalf("over a link that the settings do not allow: %d bytes, %v", link.sent.Load(), err)
	}
	allowed = true
	if err := phone.SendPictures(context.Background()); err != nil {
		t.Fatal(err)
	}
	if most := int64(float64(len(content)) * 1.3); link.sent.Load() > most {
		t.Errorf("%d bytes were sent for %d, at most %d are expected", link.sent.Load(), len(content), most)
	}
	t.Logf("%d bytes sent for a picture of %d: %.3f times", link.sent.Load(), len(content), float64(link.sent.Load())/float64(len(content)))
	a.Do(domain.Staff, "GET", pictureAt(id), nil).Want(200)
	before := link.sent.Load()
	if err := phone.SendPictures(context.Background()); err != nil || link.sent.Load() > before+2000 {
		t.Errorf("sent again: %d bytes, %v", link.sent.Load()-before, err)
	}
}

// What a picture is served with, what a device is told of it, and what becomes of
// a wrong offset, of a repetition, and of one that was erased.
func TestPictureOnTheWire(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	content := asJPEG(t, noise(2, 300, 200))
	job := a.Job(t)
	id := recorded(a, job, content)
	part := func(offset, end int, complete string) apitest.Answer {
		return a.Do(domain.Field, "PATCH", pictureAt(id), content[offset:end], "Content-Type", "application/partial-upload", "Upload-Offset", fmt.Sprint(offset), "Upload-Complete", complete)
	}
	owed := func() (s struct {
		Owed []struct {
			PhotoID  string `json:"photo_id"`
			State    string `json:"bytes_state"`
			Received int    `json:"received_count"`
		} `json:"pictures_owed"`
		Count int `json:"pictures_owed_count"`
	}) {
		a.Do(domain.Field, "GET", "/v1/sync", nil).Want(200).Into(&s)
		return s
	}
	if s := owed(); s.Count != 1 || s.Owed[0].PhotoID != id.String() || s.Owed[0].State != "awaited" {
		t.Errorf("owed at first: %+v", s)
	}
	a.Do(domain.Staff, "GET", pictureAt(id), nil).Want(404)
	if r := part(0, 20_000, "?0").Want(200); r.Header.Get("Upload-Offset") != "20000" || r.Header.Get("Upload-Complete") != "?0" {
		t.Errorf("a part: %v", r.Header)
	}
	if s := owed(); s.Owed[0].Received != 20_000 || s.Owed[0].State != "partial" {
		t.Errorf("owed then: %+v", s)
	}
	if r := part(0, 20_000, "?0").Want(409); r.Header.Get("Upload-Offset") != "20000" || r.Problem().Code != "offset_mismatch" {
		t.Errorf("sent again: %s", r.Body)
	}
	if r := a.Do(domain.Field, "HEAD", pictureAt(id), nil).Want(204); r.Header.Get("Upload-Offset") != "20000" {
		t.Errorf("asked: %v", r.Header)
	}
	if p := part(20_000, 20_100, "?0").Want(422).Problem(); len(p.Errors) != 1 || p.Errors[0].Code != "too_small" || !strings.Contains(p.Errors[0].Fix, "byte 20000") {
		t.Errorf("a part too small: %+v", p)
	}
	if r := part(20_000, len(content), "?1").Want(200); r.Header.Get("Upload-Complete") != "?1" {
		t.Errorf("the last part: %s", r.Body)
	}
	if s := owed(); s.Count != 0 {
		t.Errorf("owed in the end: %+v", s)
	}
	var e struct {
		State string `json:"bytes_state"`
	}
	if a.Do(domain.Field, "GET", "/v1/photos/"+id.String(), nil).Want(200).Into(&e); e.State != "stored" {
		t.Errorf("the record says %q", e.State)
	}
	a.Do(domain.Field, "PUT", pictureAt(id), content, "Content-Type", "image/jpeg").Want(200)
	if r := a.Do(domain.Field, "PUT", pictureAt(id), asJPEG(t, noise(3, 300, 200)), "Content-Type", "image/jpeg").Want(422); r.Problem().Code != "digest_mismatch" {
		t.Errorf("other bytes: %s", r.Body)
	}
	for _, path := range []string{pictureAt(id), "/v1/photos/" + id.String() + "/thumbnail"} {
		r := a.Do(domain.Field, "GET", path, nil).Want(200)
		for name, want := range map[string]string{"Content-Type": "image/jpeg", "X-Content-Type-Options": "nosniff", "Content-Disposition": `inline; filename="photo-` + id.String() + `.jpg"`} {
			if r.Header.Get(name) != want {
				t.Errorf("%s: %s is %q", path, name, r.Header.Get(name))
			}
		}
		if policy := r.Header.Get("Content-Security-Policy"); !strings.Contains(policy, "sandbox") || !strings.Contains(policy, "default-src 'none'") {
			t.Errorf("%s: %s", path, policy)
		}
		a.Do(domain.Field, "GET", path, nil, "If-None-Match", r.Header.Get("Etag")).Want(304)
		if _, _, err := image.Decode(bytes.NewReader(r.Body)); err != nil {
			t.Errorf("%s: %v", path, err)
		}
	}
	_, strangers := a.Program(t)
	for _, role := range domain.Roles {
		for _, method := range []string{"GET", "HEAD"} {
			if r := a.Send(strangers[role], method, pictureAt(id), nil); r.Status != 404 && r.Status != 403 {
				t.Errorf("%s of another program: %s %d", role, method, r.Status)
			}
		}
	}
	for role, status := range map[domain.Role]int{domain.ContractorRole: 403, domain.Funder: 403, domain.Inspector: 404, domain.Admin: 200} {
		a.Do(role, "GET", pictureAt(id), nil).Want(status)
	}
	a.Do(domain.Staff, "GET", pictureAt(id)+"?original=true", nil).Want(404)
	a.Do(domain.Field, "GET", pictureAt(id)+"?original=true", nil).Want(403)
	a.Do(domain.Field, "POST", pictureAt(id)+"/erase", `{"why":"asked"}`).Want(403)
	a.Do(domain.Staff, "POST", pictureAt(id)+"/erase", `{"why":"asked"}`).Want(200)
	a.Do(domain.Staff, "POST", pictureAt(id)+"/erase", `{"why":"asked"}`).Want(200)
	a.Do(domain.Staff, "GET", pictureAt(id), nil).Want(404)
	if a.Do(domain.Field, "GET", "/v1/photos/"+id.String(), nil).Want(200).Into(&e); e.State != "erased" {
		t.Errorf("the record says %q", e.State)
	}
	if audits := auditOf(a, id); len(audits) != 2 || !strings.HasPrefix(audits[0], "picture_erased sha256 ") || !strings.HasPrefix(audits[1], "picture_removed sha256 ") {
		t.Errorf("proof of it: %q", audits)
	}
}

// auditOf are the audit's lines about a subject.
func auditOf(a *apitest.API, id domain.UUID) (lines []string) {
	a.T.Helper()
	conn, err := pgx.Connect(context.Background(), storagetest.AddressOf(a.DB))
	if err != nil {
		a.T.Fatal(err)
	}
	defer conn.Close(context.Background())
	rows, err := conn.Query(context.Background(), "SELECT action || ' ' || detail FROM audit WHERE program_id = $1 AND subject_id = $2 ORDER BY audit_id", [16]byte(a.World.Program), [16]byte(id))
	if err != nil {
		a.T.Fatal(err)
	}
	defer rows.Close()
	for rows.Next() {
		var line string
		if err := rows.Scan(&line); err != nil {
			a.T.Fatal(err)
		}
		lines = append(lines, line)
	}
	return lines
}

// planted is a place as a phone writes it, and looked for in everything.
const planted = "44.0521N-123.0868W"

// withPlace plants it in a JPEG's Exif with a direction (CIPA DC-008 [mem]), in a
// comment, and behind the picture's end, with a script.
func withPlace(content []byte, direction uint16) []byte {
	tiff := binary.BigEndian.AppendUint16([]byte("MM\x00\x2a\x00\x00\x00\x08\x00\x01\x01\x12\x00\x03\x00\x00\x00\x01"), direction)
	exif := append([]byte("Exif\x00\x00"), append(append(tiff, 0, 0, 0, 0, 0, 0), planted...)...)
	out := append([]byte{}, content[:2]...)
	for marker, segment := range map[byte][]byte{0xe1: exif, 0xfe: []byte(planted)} {
		out = append(out, 0xff, marker)
		out = append(binary.BigEndian.AppendUint16(out, uint16(len(segment)+2)), segment...)
	}
	return append(append(out, content[2:]...), "<script>"+planted+"</script>"...)
}

// pngWithPlace plants it in a text and behind the end.
func pngWithPlace(t testing.TB, m image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := png.Encode(&b, m); err != nil {
		t.Fatal(err)
	}
	text := append([]byte("tEXtComment\x00"), planted...)
	chunk := binary.BigEndian.AppendUint32(nil, uint32(len(text)-4))
	chunk = binary.BigEndian.AppendUint32(append(chunk, text...), crc32.ChecksumIEEE(text))
	const afterHeader = 8 + 25
	return append(append(append(b.Bytes()[:afterHeader:afterHeader], chunk...), b.Bytes()[afterHeader:]...), planted...)
}

// A place that was planted in what phones send is in nothing that is served, and
// pictures stand upright.
func TestPlaceIsServedNowhere(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	job := a.Job(t)
	lying := withPlace(asJPEG(t, noise(4, 200, 100)), 6) // stored on its side: upright it is 100 × 200
	drawing := pngWithPlace(t, noise(5, 200, 100))
	var ids []domain.UUID
	for media, content := range map[string][]byte{"image/jpeg": lying, "image/png": drawing} {
		id := recorded(a, job, content, func(p *domain.Photo) { p.MediaType = media })
		a.Do(domain.Field, "PUT", pictureAt(id), content, "Content-Type", media).Want(200)
		ids = append(ids, id)
		r := a.Do(domain.Staff, "GET", pictureAt(id), nil).Want(200)
		size, _, err := image.DecodeConfig(bytes.NewReader(r.Body))
		if err != nil || media == "image/jpeg" && (size.Width != 100 || size.Height != 200) {
			t.Errorf("%s: %+v, %v", media, size, err)
		}
	}
	paths := []string{"/v1/sync", "/v1/changes?after=0", "/v1/photos?job_id=" + job.String(), "/v1/jobs/" + job.String() + "/entries",
		"/v1/jobs/" + job.String() + "/findings", "/v1/jobs/" + job.String() + "/result", "/v1/worklist", "/v1/held"}
	for _, id := range ids {
		one := "/v1/photos/" + id.String()
		paths = append(paths, one, one+"/versions", one+"/bytes", one+"/bytes?original=true", one+"/thumbnail")
	}
	for _, role := range domain.Roles {
		for _, path := range paths {
			if r := a.Do(role, "GET", path, nil); bytes.Contains(r.Body, []byte(planted)) || bytes.Contains(r.Body, []byte("script")) || bytes.Contains(r.Body, []byte("Exif")) {
				t.Errorf("%s reads the place at %s", role, path)
			}
		}
	}
	if strings.Contains(a.Log.String(), planted) {
		t.Error("the place is in the log")
	}
}

// Pushes go on and pictures wait where there is no place for them.
func TestWithoutAPlaceForPictures(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	job := a.Job(t)
	content := asJPEG(t, noise(6, 64, 64))
	id := recorded(a, job, content)
	bare := a.Bare(t)
	r, err := http.NewRequest("PUT", bare+pictureAt(id), bytes.NewReader(content))
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Authorization", "Bearer "+a.Tokens[domain.Field])
	r.Header.Set("Content-Type", "image/jpeg")
	answer, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	_ = answer.Body.Close()
	if answer.StatusCode != 503 || answer.Header.Get("Retry-After") == "" {
		t.Errorf("%d, %v", answer.StatusCode, answer.Header)
	}
}

// pictured gives the photos of an invented job bytes of their own.
func (in *invented) pictured(t testing.TB, seed uint64) (contents map[domain.UUID][]byte) {
	contents = map[domain.UUID][]byte{}
	for _, i := range in.items {
		if p, ok := i.Record.(*domain.Photo); ok {
			seed += 0x9e3779b97f4a7c15
			content := asJPEG(t, noise(seed, 72, 64))
			sum := sha256.Sum256(content)
			p.SHA256, p.BytesCount, contents[i.ID] = hex.EncodeToString(sum[:]), int64(len(content)), content
		}
	}
	return contents
}

// sameAgain fails where a job's results cannot be made again from the ledger.
func sameAgain(a *apitest.API, job domain.UUID) {
	a.T.Helper()
	err := judgment.Recompute(context.Background(), a.DB, a.World.Program, job, func(r judgment.Recomputed) error {
		if !r.Same() {
			a.T.Errorf("made again: %v", r.Differs)
		}
		return nil
	})
	if err != nil {
		a.T.Fatal(err)
	}
}

// Where acceptance waits for pictures, a job without them cannot be accepted;
// each that arrives takes its finding away, and with the last it can.
func TestAcceptanceWaitsForPictures(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	ruleSet(a, domain.RuleSet{Name: "seen", FromOn: "2026-10-05", PicturesNeededFor: domain.PicturesForAcceptance})
	a.Clock.Move(14 * 24 * time.Hour)
	in := invent(a, a.World)
	contents := in.pictured(t, 100)
	in.sendIn(a, a.Tokens)
	open := accept(a, in)
	if len(open) < 20 {
		t.Fatalf("open without pictures: %v", open)
	}
	for _, code := range open {
		if code != "photos_complete" {
			t.Errorf("open without pictures: %s", code)
		}
	}
	sameAgain(a, in.Job)
	left := len(findingsOf(a, in.Job))
	for id, content := range contents {
		a.Do(domain.Field, "PUT", pictureAt(id), content, "Content-Type", "image/jpeg").Want(200)
		if now := len(findingsOf(a, in.Job)); now > left {
			t.Fatalf("%d findings, there were %d", now, left)
		} else {
			left = now
		}
	}
	sameAgain(a, in.Job)
	if got := accept(a, in); got != nil {
		t.Errorf("with all pictures: %v", got)
	}
	sameAgain(a, in.Job)
}

// Where payment waits, the job is accepted and its lines are withheld until the
// last picture has arrived; what was read at a position stays.
func TestPaymentWaitsForPictures(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	ruleSet(a, domain.RuleSet{Name: "paid when seen", FromOn: "2026-10-05", PicturesNeededFor: domain.PicturesForPayment,
		Prices: []domain.Price{{Line: "cfm25_removed", AmountCents: 500}}})
	a.Clock.Move(14 * 24 * time.Hour)
	in := invent(a, a.World)
	contents := in.pictured(t, 200)
	in.sendIn(a, a.Tokens)
	if got := accept(a, in); got != nil {
		t.Fatalf("acceptance waits too: %v", got)
	}
	path := fmt.Sprintf("/v1/contractors/%s/statement?month=2026-10", a.World.Contractor)
	stated := func() (s statementPage) {
		a.Do(domain.Staff, "GET", path, nil).Want(200).Into(&s)
		return s
	}
	before := stated()
	if len(before.Items) == 0 || before.Items[0].State != "withheld" || strings.Join(before.Items[0].WithheldBy, " ") != "pictures_owed" || before.Totals.Due != 0 {
		t.Errorf("without pictures: %+v", before)
	}
	for id, content := range contents {
		a.Do(domain.Field, "PUT", pictureAt(id), content, "Content-Type", "image/jpeg").Want(200)
	}
	if again := stated(); again.Position == before.Position && again.Totals != before.Totals {
		t.Errorf("at the same position it says something else: %+v", again)
	}
	sameAgain(a, in.Job)
	a.World.NewHome(t) // the ledger goes on
	if now := stated(); len(now.Items) == 0 || now.Items[0].State != "payable" || now.Totals.Due == 0 {
		t.Errorf("with all pictures: %+v", now)
	}
}

// The same picture at two homes is a finding at both; one that looks like it a
// question with both pictures.
func TestOnePictureAtTwoHomes(t *testing.T) {
	t.Parallel()
	a, _ := serve(t)
	first, second := invent(a, a.World), invent(a, a.World)
	contents, others := first.pictured(t, 300), second.pictured(t, 400)
	same, like := first.ids(domain.PhotoKind)[0], first.ids(domain.PhotoKind)[1]
	theirs, alike := second.ids(domain.PhotoKind)[0], second.ids(domain.PhotoKind)[1]
	scaled, _, err := image.Decode(bytes.NewReader(contents[like]))
	if err != nil {
		t.Fatal(err)
	}
	var worse bytes.Buffer
	if err := jpeg.Encode(&worse, scaled, &jpeg.Options{Quality: 60}); err != nil {
		t.Fatal(err)
	}
	others[theirs], others[alike] = contents[same], worse.Bytes()
	for _, i := range second.items {
		if p, ok := i.Record.(*domain.Photo); ok && (i.ID == theirs || i.ID == alike) {
			sum := sha256.Sum256(others[i.ID])
			p.SHA256, p.BytesCount = hex.EncodeToString(sum[:]), int64(len(others[i.ID]))
		}
	}
	first.sendIn(a, a.Tokens)
	second.sendIn(a, a.Tokens)
	for _, of := range []map[domain.UUID][]byte{contents, others} {
		for id, content := range of {
			a.Do(domain.Field, "PUT", pictureAt(id), content, "Content-Type", "image/jpeg").Want(200)
		}
	}
	for job, own := range map[domain.UUID][2]domain.UUID{first.Job: {same, like}, second.Job: {theirs, alike}} {
		found := 0
		for _, f := range findingsOf(a, job) {
			if f.Rule == "photo_of_one_home" && f.Subjects[0].ID == own[0] {
				found++
			}
		}
		if found != 1 {
			t.Errorf("the same picture: %d findings", found)
		}
		var result struct {
			Questions []struct {
				Screen   string
				Subjects []domain.Subject
			}
		}
		a.Do(domain.Staff, "GET", "/v1/jobs/"+job.String()+"/result", nil).Want(200).Into(&result)
		pairs := map[domain.UUID]int{}
		for _, q := range result.Questions {
			if q.Screen == "same_photo" && len(q.Subjects) == 2 {
				pairs[q.Subjects[0].ID]++
			}
		}
		if pairs[own[1]] != 1 || pairs[own[0]] != 1 || len(pairs) != 2 {
			t.Errorf("questions with two pictures: %v, want one of %s and one of %s", pairs, own[0], own[1])
		}
		a.Do(domain.Field, "GET", "/v1/jobs/"+job.String()+"/result", nil).Want(200).Into(&result)
		for _, q := range result.Questions {
			if q.Screen == "same_photo" && len(q.Subjects) != 1 {
				t.Error("a crew is told of another home's photo")
			}
		}
	}
}
