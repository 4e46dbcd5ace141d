package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"runtime/debug"
	"strings"
	"time"

	"ductledger/api"
	"ductledger/api/frame"
	"ductledger/api/sheet"
	"ductledger/cmd/ductledger/season"
	"ductledger/domain"
	"ductledger/migrations"
	"ductledger/storage"
	"ductledger/storage/cluster"
	monthdb "ductledger/storage/month"
	"ductledger/storage/photos"
	"ductledger/storage/pictures"

	"github.com/schollz/progressbar/v3"
)

// demoWarm connections are opened at once: a demo that nobody uses has as many
// processes of Postgres later as at its beginning.
const demoWarm = 6

type demoCommand struct {
	DatabaseURL string `from:"DATABASE_URL" placeholder:"URL" help:"A Postgres to make a database in; without, a private one is started, or a container."`
	postgresSettings
	Listen  string `default:"127.0.0.1:8080" placeholder:"ADDRESS" help:"Where the API listens."`
	Jobs    int    `default:"600" help:"Jobs of the invented program, 12 to 5000."`
	Months  int    `default:"13" help:"Months, the running one included, 2 to 36."`
	EnvFile string `placeholder:"FILE" help:"Write the address and the tokens there once it is ready."`
	Keep    string `placeholder:"DIR" help:"Keep the private Postgres in this folder."`
	Exit    bool   `help:"Stop once it is ready."`
}

func (demoCommand) Help() string {
	return "Makes an invented program of a year by driving the service's own HTTP API with simulated field devices over bad links, then serves it. Ctrl-C leaves nothing behind.\n\nExample:\n  ductledger demo --jobs 60 --months 3 --env-file demo.env"
}

// postgresSettings say where a Postgres may come from when none is named.
type postgresSettings struct {
	Image      string `from:"POSTGRES_IMAGE" default:"postgres:17" help:"Image of the container."`
	Archive    string `from:"POSTGRES_ARCHIVE" placeholder:"URL#sha256=DIGEST" help:"Archive of Postgres programs to fetch instead of the known one, where nothing else is found."`
	NoDownload bool   `help:"Fetch no Postgres; what was fetched before still serves."`
}

func (s postgresSettings) options() cluster.Options {
	return cluster.Options{Image: s.Image, Archive: s.Archive, NoDownload: s.NoDownload}
}

// demoApplication marks the addresses that a demo prints, so that a later one
// does not take them for a Postgres that was given to it.
const demoApplication = "ductledger-demo"

// seedingConnections are enough for the crews that work at one time; each more
// makes the server plan everything once more.
const seedingConnections = 6

// seedingGCPercent lets the heap grow further than usual before it is looked
// through.
const seedingGCPercent = 400

func (c *demoCommand) Run(in *invocation) (err error) {
	if c.Jobs < 12 || c.Jobs > 5000 {
		return &exitError{exitRefused, fmt.Errorf("--jobs %d: 12 to 5000 are expected", c.Jobs)}
	}
	if c.Months < 2 || c.Months > 36 {
		return &exitError{exitRefused, fmt.Errorf("--months %d: 2 to 36 are expected", c.Months)}
	}
	listener, err := new(net.ListenConfig).Listen(in.ctx, "tcp", c.Listen)
	if err != nil {
		return err
	}
	defer func() { _ = listener.Close() }() // closed already where it was served
	show := newShow(in.stderr)
	options := c.options()
	options.DatabaseURL, options.Application, options.Database = c.DatabaseURL, demoApplication, "ductledger_demo"
	options.Keep, options.Say, options.Progress = c.Keep, show.say, show.fetching
	postgres, err := cluster.Start(in.ctx, options)
	if err != nil {
		return ended(in.ctx, err)
	}
	defer func() { err = errors.Join(err, postgres.Stop()) }()
	if err := migrations.Up(in.ctx, postgres.URL("")); err != nil {
		return ended(in.ctx, err)
	}
	log := newLog(in.stderr, slog.LevelWarn)
	clock := season.NewClock(in.now)
	seeded, err := c.seed(in, postgres.URL(""), clock, log, show)
	if err != nil {
		return ended(in.ctx, err)
	}
	clock.LetGo()
	db, err := storage.Open(in.ctx, postgres.URL(""), storage.Options{Now: clock.Now, Log: log, Warm: demoWarm})
	if err != nil {
		return err
	}
	defer db.Close()
	place, remove, err := demoPlace()
	if err != nil {
		return err
	}
	defer remove()
	handler, err := api.New(api.Config{DB: db, Pictures: pictures.New(db, place, log), Now: clock.Now, Log: log, Stopping: in.ctx, Demo: true})
	if err != nil {
		return err
	}
	base := "http://" + listener.Addr().String()
	doors, err := openDoors(in, db, seeded.Program(), base)
	if err != nil {
		return err
	}
	if err := c.ready(in, variablesOf(seeded, base, postgres.URL("")), doors); err != nil || c.Exit {
		return err
	}
	end := inBackground(in.ctx, func(ctx context.Context) {
		monthdb.BuildAsked(ctx, db, monthdb.Options{BuildID: api.BuildID(), Summary: sheet.Write})
	}, func(ctx context.Context) { seeded.SendPictures(ctx, base, log) })
	defer end()
	return frame.Serve(in.ctx, handler, listener, log, frame.Limits{})
}

// ended says in one line that it was the user who stopped it.
func ended(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return errors.New("ended before the demo was ready; nothing is left behind")
	}
	return err
}

// seed serves the API to the simulated devices alone and lets them work. What a
// demo that ends too early invents is thrown away, so its commits do not wait
// for the disk; the first commit of the demo that then serves does, and puts
// all before it there too.
func (c *demoCommand) seed(in *invocation, owner string, clock *season.Clock, log *slog.Logger, show *show) (*season.Past, error) {
	db, err := storage.Open(in.ctx, owner, storage.Options{Now: clock.Now, Log: log, Connections: seedingConnections, CommitAhead: true})
	if err != nil {
		return nil, err
	}
	defer db.Close()
	handler, err := api.New(api.Config{DB: db, Now: clock.Now, Log: log, Unlimited: true})
	if err != nil {
		return nil, err
	}
	inside, err := new(net.ListenConfig).Listen(in.ctx, "tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	serving, stop := context.WithCancel(in.ctx)
	served := make(chan error, 1)
	go func() { served <- frame.Serve(serving, handler, inside, log, frame.Limits{}) }()
	transport := &http.Transport{MaxIdleConnsPerHost: 32, DisableCompression: true} // the loopback is not thin
	// A year in seconds makes much to collect and keeps little of it.
	defer debug.SetGCPercent(debug.SetGCPercent(seedingGCPercent))
	url := "http://" + inside.Addr().String()
	past, err := season.Live(in.ctx, season.Options{Jobs: c.Jobs, Months: c.Months, DB: db, Owner: owner, URL: url, Link: transport, Clock: clock, Progress: show,
		Found: func(ctx context.Context, p storage.Program, first *domain.RuleSet) error {
			set, epoch, err := twoIDs()
			if err != nil {
				return err
			}
			first.FromOn = firstRuleSetFrom
			return db.CreateProgram(ctx, p, set, epoch, first)
		},
		Token: func(_ context.Context, program domain.UUID, t storage.Token) (string, error) {
			return makeToken(in, db, program, t)
		},
		Build: func(ctx context.Context, program domain.UUID, token, month, fund string) (string, error) {
			defer inBackground(ctx, func(ctx context.Context) {
				monthdb.BuildAsked(ctx, db, monthdb.Options{BuildID: api.BuildID(), Summary: sheet.Write, Program: program})
			})()
			export := exportCommand{Server: url, Token: token, Month: month, Fund: fund}
			p, err := export.build(ctx, newShow(io.Discard))
			return p.Name, err
		}})
	transport.CloseIdleConnections()
	stop()
	return past, errors.Join(err, <-served)
}

// demoPlace is a folder for the pictures of a demo, gone when it ends.
func demoPlace() (place *photos.Folder, remove func(), err error) {
	dir, err := os.MkdirTemp("", "ductledger-demo-pictures-")
	if err != nil {
		return nil, nil, err
	}
	if place, err = photos.OpenFolder(dir); err != nil {
		return nil, nil, err
	}
	return place, func() { _ = place.Close(); _ = os.RemoveAll(dir) }, nil
}

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

// Begin is told how many days there are.
func (s *show) Begin(days int) {
	if s.onTerminal() {
		s.bar = s.newBar(int64(days), "DEMO days")
	}
}

// Step is told that a day is over.
func (s *show) Step(day time.Time, sentIn int) {
	if s.bar != nil {
		_ = s.bar.Add(1) // a bar that cannot be drawn stops nothing
		return
	}
	if month := day.Format("2006-01"); month != s.month {
		s.month = month
		s.say(fmt.Sprintf("DEMO %s: %d jobs sent in", month, sentIn))
	}
}

// End is told that all are.
func (s *show) End(sentIn int) {
	if s.bar != nil {
		_ = s.bar.Finish()
	}
	s.say(fmt.Sprintf("DEMO: %d jobs sent in", sentIn))
}

// variable is one that the demo hands out.
type variable struct{ name, value string }

// variablesOf are what the demo hands out.
func variablesOf(past *season.Past, url, database string) []variable {
	t := past.TokenOf
	return []variable{
		{"DUCTLEDGER_URL", url}, {"DUCTLEDGER_FIELD_TOKEN", t(domain.Field)}, {"DUCTLEDGER_STAFF_TOKEN", t(domain.Staff)},
		{"DUCTLEDGER_FUNDER_TOKEN", t(domain.Funder)}, {"DUCTLEDGER_ADMIN_TOKEN", t(domain.Admin)},
		{"DUCTLEDGER_INSPECTOR_TOKEN", t(domain.Inspector)}, {"DUCTLEDGER_CONTRACTOR_TOKEN", t(domain.ContractorRole)},
		{"DUCTLEDGER_OTHER_STAFF_TOKEN", past.OtherToken()}, {"DATABASE_URL", database},
	}
}

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
