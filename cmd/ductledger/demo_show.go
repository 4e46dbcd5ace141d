package main

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/schollz/progressbar/v3"
)

// show tells how far it is: a bar on a terminal, else a plain line a month.
type show struct {
	w     io.Writer
	bar   *progressbar.ProgressBar
	month string
}

func newShow(w io.Writer) *show { return &show{w: w} }

func (s *show) say(line string) { fmt.Fprintln(s.w, line) }

// onTerminal says whether a bar can be drawn; into a file it would only write
// carriage returns.
func (s *show) onTerminal() bool {
	file, ok := s.w.(*os.File)
	if !ok {
		return false
	}
	info, err := file.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0
}

func (s *show) newBar(total int64, of string, more ...progressbar.Option) *progressbar.ProgressBar {
	options := []progressbar.Option{progressbar.OptionSetWriter(s.w), progressbar.OptionSetDescription(of),
		progressbar.OptionClearOnFinish(), progressbar.OptionSetWidth(30), progressbar.OptionThrottle(100 * time.Millisecond)}
	if !s.onTerminal() {
		options = append(options, progressbar.OptionSetVisibility(false))
	}
	return progressbar.NewOptions64(total, append(options, more...)...)
}

// fetching is the bar of a Postgres that is fetched.
func (s *show) fetching(size int64) io.WriteCloser {
	return s.newBar(size, "Postgres", progressbar.OptionShowBytes(true))
}

func (s *show) begin(days int) {
	if s.onTerminal() {
		s.bar = s.newBar(int64(days), "DEMO days")
	}
}

func (s *show) step(day time.Time, sentIn int) {
	if s.bar != nil {
		_ = s.bar.Add(1) // a bar that cannot be drawn stops nothing
		return
	}
	if month := day.Format("2006-01"); month != s.month {
		s.month = month
		s.say(fmt.Sprintf("DEMO %s: %d jobs sent in", month, sentIn))
	}
}

func (s *show) end(sentIn int) {
	if s.bar != nil {
		_ = s.bar.Finish()
	}
	s.say(fmt.Sprintf("DEMO: %d jobs sent in", sentIn))
}

// variable is one that the demo hands out.
type variable struct{ name, value string }

// ready writes the file and says what can be done now.
func (c *demoCommand) ready(in *invocation, values []variable, doors doors) error {
	var exports, file strings.Builder
	for _, v := range values {
		fmt.Fprintf(&exports, "export %s='%s'\n", v.name, v.value)
		fmt.Fprintf(&file, "%s='%s'\n", v.name, v.value)
	}
	if c.EnvFile != "" {
		if err := writeWhole(c.EnvFile, file.String()); err != nil {
			return err
		}
	}
	now := in.now()
	last := time.Date(now.Year(), now.Month(), 1, 0, 0, 0, 0, time.UTC).AddDate(0, -1, 0)
	_, err := fmt.Fprintf(in.stdout, `
%s
%s
Try next:
  curl -sS -H "Authorization: Bearer $DUCTLEDGER_STAFF_TOKEN" "$DUCTLEDGER_URL/v1/performance?from=%s&before=%s"
  go run ./cmd/ductledger example job | curl -sS -X PUT -H "Authorization: Bearer $DUCTLEDGER_FIELD_TOKEN" -H 'Content-Type: application/json' --data-binary @- "$DUCTLEDGER_URL/v1/jobs/$(go run ./cmd/ductledger id)"
  go run ./cmd/ductledger export --month %s --fund state_fund --out month.zip

DEMO: everything here is invented; keep real records out of it. It is gone when this program ends.
`, exports.String(), doors, last.Format(time.DateOnly), last.AddDate(0, 1, 0).Format(time.DateOnly), last.Format("2006-01"))
	return err
}

// writeWhole puts a file in its place at once, readable by its owner alone: it
// holds tokens.
func writeWhole(name, text string) error {
	temporary, err := os.CreateTemp(filepath.Dir(name), "."+filepath.Base(name)+".*")
	if err != nil {
		return err
	}
	_, err = temporary.WriteString(text)
	if closed := temporary.Close(); err == nil {
		err = closed
	}
	if err == nil {
		err = os.Rename(temporary.Name(), name)
	}
	if err != nil {
		_ = os.Remove(temporary.Name()) // it is not needed
	}
	return err
}
