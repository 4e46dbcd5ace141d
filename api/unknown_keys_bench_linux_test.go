package api

import (
	"fmt"
	"strings"
	"testing"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/storage/storagetest"
)

// What 0.5 MB of keys that are not known cost from body to answer, without the
// database. The time of the processor is given apart: it is what others lose,
// and hardly depends on what else the machine does.
//
//	go test ./api -run "^$" -bench UnknownKeys
func BenchmarkUnknownKeys(b *testing.B) {
	s := &Server{}
	var keys strings.Builder
	for i := range 60_000 {
		fmt.Fprintf(&keys, `"k%d":1,`, i)
	}
	body := fmt.Sprintf(`{"items":[{"kind":"home","id":"0198b1c4-7a10-7c3e-9d55-3f2a6b8c0d21","record":{%s"section_count":1}}]}`, keys.String())
	b.SetBytes(int64(len(body)))
	b.ReportAllocs()
	began := storagetest.ProcessorSeconds(b)
	for b.Loop() {
		batch, err := s.readBatch(domain.Caller{}, &frame.Request{Body: []byte(body)})
		if err != nil || batch.shapes[0] == nil {
			b.Fatal(err, "the item was taken")
		}
		frame.ProblemBody(batch.shapes[0], "")
	}
	b.ReportMetric((storagetest.ProcessorSeconds(b)-began)/float64(b.N), "cpu-s/op")
}
