package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"image"
	"image/jpeg"
	"io"
	"math/rand/v2"
	"net/http"
	"strconv"
	"sync"
	"testing"
	"time"

	"ductledger/domain"
	"ductledger/storage/storagetest"
)

// noisyPhoto is a photo that does not compress.
func noisyPhoto(t *testing.T, seed uint64, w, h int) []byte {
	t.Helper()
	m := image.NewRGBA(image.Rect(0, 0, w, h))
	r := rand.New(rand.NewPCG(seed, 3))
	for i := 0; i+8 <= len(m.Pix); i += 8 {
		binary.LittleEndian.PutUint64(m.Pix[i:], r.Uint64()|0xff000000_ff000000)
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: 80}); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// photosOf records n photos with the same bytes, each of a home of its own.
func photosOf(t *testing.T, w *storagetest.World, content []byte, n int) (ids []domain.UUID) {
	t.Helper()
	sum := sha256.Sum256(content)
	job := w.Job(t)
	for i := range n {
		id := storagetest.ID()
		w.Must(t, w.Field, storagetest.Item(t, id, &domain.Photo{JobID: job, SHA256: hex.EncodeToString(sum[:]), BytesCount: int64(len(content)), MediaType: "image/jpeg",
			WidthPx: 1, HeightPx: 1, TakenAt: time.Now().Add(-time.Duration(i) * time.Minute), Stage: domain.SurveyStage, Subjects: []domain.PhotoSubject{{Kind: domain.JobKind, ID: job}}}))
		ids = append(ids, id)
	}
	return ids
}

// sendBytes is one request with bytes and what it is answered; 0 when none came.
func (s *service) sendBytes(ctx context.Context, token, method string, id domain.UUID, body []byte, header ...string) (status int, answer []byte, of http.Header) {
	request, err := http.NewRequestWithContext(ctx, method, s.url+"/v1/photos/"+id.String()+"/bytes", bytes.NewReader(body))
	if err != nil {
		s.t.Fatal(err)
	}
	request.Header.Set("Authorization", "Bearer "+token)
	for i := 0; i+1 < len(header); i += 2 {
		request.Header.Set(header[i], header[i+1])
	}
	response, err := s.client.Do(request)
	if err != nil {
		return 0, nil, nil
	}
	defer response.Body.Close()
	answer, _ = io.ReadAll(response.Body)
	return response.StatusCode, answer, response.Header
}

// 64 pictures of 4 MB are sent at once. Memory stays bounded, pushes go on, and
// who finds no room is told so and comes back.
func TestManyPicturesAtOnce(t *testing.T) {
	s := startService(t, storagetest.URL(t), 2, "--pictures", t.TempDir())
	content := noisyPhoto(t, 1, 3000, 2250)
	t.Logf("pictures of %d bytes", len(content))
	const senders = 64
	ids := photosOf(t, s.programs[0], content, senders)
	tokens := make([]string, 8)
	for i := range tokens {
		tokens[i] = s.token(s.programs[0])
	}
	victim := s.token(s.programs[1])
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Minute)
	defer cancel()
	var sending sync.WaitGroup
	for i, id := range ids {
		sending.Go(func() {
			for ctx.Err() == nil {
				switch status, answer, header := s.sendBytes(ctx, tokens[i%len(tokens)], "PUT", id, content, "Content-Type", "image/jpeg"); status {
				case 200:
					return
				case 0, 429, 503, 504: // no room, or no answer in time: what has come has come
					wait, err := strconv.Atoi(header.Get("Retry-After"))
					if status != 0 && err != nil {
						t.Errorf("%d without Retry-After", status)
					}
					time.Sleep(time.Duration(max(wait, 1)) * time.Second / 4)
				default:
					t.Errorf("%d %s", status, answer)
					return
				}
			}
			t.Error("not all pictures came in five minutes")
		})
	}
	done := make(chan struct{})
	go func() { sending.Wait(); close(done) }()
	pushes, slowest := 0, time.Duration(0)
	for pushing := true; pushing; {
		select {
		case <-done:
			pushing = false
		case <-time.After(200 * time.Millisecond):
			got, err := s.send(ctx, victim, "POST", "/v1/batches", batch(5))
			if !*calm && err == nil && got.status == 503 { // the processors are the decoder's and other tests': told so, a phone comes back
				continue
			}
			if err != nil || got.status != 207 {
				t.Errorf("a push meanwhile: %d %s %v", got.status, got.body, err)
				cancel()
				continue
			}
			pushes, slowest = pushes+1, max(slowest, got.took)
		}
	}
	t.Logf("%d pushes meanwhile, the slowest took %v; at most %d MB", pushes, slowest, s.memory()>>20)
	if pushes == 0 {
		t.Error("no push went through meanwhile")
	}
	if s.memory() > mostMemory {
		t.Errorf("%d MB in memory, %d at most are expected", s.memory()>>20, mostMemory>>20)
	}
}
