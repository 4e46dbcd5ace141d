package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strings"
	"syscall"
	"time"
	_ "time/tzdata" // days and months are the program's, also on a machine without zones

	"ductledger/domain"

	"github.com/alecthomas/kong"
	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// commands is the table of commands: one row each. A command is a struct with
// its flags, a method Help with an example, and a method Run.
type commands struct {
	Demo      demoCommand      `cmd:"" help:"Try everything on an invented program, with a Postgres of its own."`
	Serve     serveCommand     `cmd:"" help:"Serve the API on DATABASE_URL."`
	Migrate   migrateCommands  `cmd:"" help:"Bring the schema up to date, or show where it stands."`
	Program   programCommands  `cmd:"" help:"Make and list programs."`
	Token     tokenCommands    `cmd:"" help:"Make, list and revoke credentials."`
	Person    personCommands   `cmd:"" help:"Invite, list and end people; enroll their phones."`
	Export    exportCommand    `cmd:"" help:"Build the funder's package of a month and fetch its file."`
	Verify    verifyCommand    `cmd:"" help:"Check a package with nothing but the file."`
	Example   exampleCommand   `cmd:"" help:"Print a valid record of a kind, a whole job to send or to evaluate, or a body of a calculation."`
	ID        idCommand        `cmd:"" name:"id" help:"Print a new id (UUIDv7)."`
	Doctor    doctorCommand    `cmd:"" help:"Look at settings, database, schema, clock and disk."`
	Audit     auditCommand     `cmd:"" help:"Verify the chain of a program's ledger."`
	Recompute recomputeCommand `cmd:"" help:"Make every result again from the ledger and report what differs."`
	Restore   restoreCommand   `cmd:"" help:"Restore a backup into an empty folder and prove what came back, or only try it."`
	History   historyCommand   `cmd:"" help:"Say that a moved or restored database is the one to serve."`
	Complete  completeCommand  `cmd:"" help:"Set a shell up to complete the names of commands and flags."`

	JSON    bool        `from:"-" name:"json" help:"Print what a command answers as one JSON value."`
	Version versionFlag `from:"-" name:"version" help:"Print the version and end."`
}

// clockShift moves the program's clock, as in "26h". No setting reaches it: the
// fault program links copies of its own with it (cmd/faults).
var clockShift = "0s"

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	// A second signal ends the program at once.
	context.AfterFunc(ctx, stop)
	code := run(ctx, os.Args[1:], os.Environ(), os.Stdin, os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

// The exit codes.
const (
	exitGood    = 0
	exitFailed  = 1
	exitRefused = 2 // the command line, or a file, cannot be read
)

// invocation is what a command gets from outside.
type invocation struct {
	ctx      context.Context
	env      environment
	stdin    io.Reader
	stdout   io.Writer
	stderr   io.Writer
	now      func() time.Time
	settings []setting // of the command that runs, with their origin
	json     bool      // answers are wanted as JSON
}

// answer prints what a command found: as one JSON value where that was asked
// for, else as text for people.
func (in *invocation) answer(value any, text func(w io.Writer) error) error {
	if !in.json {
		return text(in.stdout)
	}
	if err := json.MarshalWrite(in.stdout, value, jsontext.WithIndent("  ")); err != nil {
		return err
	}
	_, err := fmt.Fprintln(in.stdout)
	return err
}

// An exitError ends the program with a code of its own.
type exitError struct {
	code int
	err  error
}

func (e *exitError) Error() string { return e.err.Error() }
func (e *exitError) Unwrap() error { return e.err }

// helpShown ends the parsing where the help was printed.
type helpShown struct{ code int }

// run is the program but for its process.
func run(ctx context.Context, args, env []string, stdin io.Reader, stdout, stderr io.Writer) (code int) {
	defer func() {
		switch shown := recover().(type) {
		case nil:
		case helpShown:
			code = shown.code
		default:
			panic(shown)
		}
	}()
	fail := func(code int, err error) int {
		text := err.Error()
		if ours := (*domain.Error)(nil); errors.As(err, &ours) { // the code is for programs
			text = strings.Replace(text, string(ours.Code)+": ", "", 1)
		}
		fmt.Fprintln(stderr, "ductledger: "+strings.ReplaceAll(text, "\n", "; "))
		return code
	}
	shift, err := time.ParseDuration(clockShift)
	if err != nil {
		return fail(exitFailed, fmt.Errorf("clockShift: %w", err))
	}
	now := func() time.Time { return time.Now().Add(shift) }
	in := &invocation{ctx: ctx, env: environmentOf(env), stdin: stdin, stdout: stdout, stderr: stderr, now: now}
	var table commands
	parser, err := kong.New(&table,
		kong.Name("ductledger"),
		kong.Description("Takes in duct sealing work from field devices, judges and computes it, compares contractors, and hands the month to the funder.\n\nBegin with: ductledger demo"),
		kong.Writers(stdout, stderr),
		kong.Exit(func(code int) { panic(helpShown{code}) }),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true, WrapUpperBound: 100}),
		kong.ValueFormatter(helpOf),
		kong.Resolvers(in.env.resolver()),
	)
	if err != nil {
		return fail(exitFailed, err)
	}
	if line, asked := in.env["COMP_LINE"]; asked { // a shell completes a line
		for _, name := range candidates(parser.Model, line) {
			fmt.Fprintln(stdout, name)
		}
		return exitGood
	}
	parsed, err := parser.Parse(args)
	if err != nil {
		return fail(exitRefused, fmt.Errorf("%w (try: ductledger --help)", err))
	}
	// A mistyped setting of what goes on working would be without effect for
	// as long as it runs, so that only a person at hand is merely warned.
	if err := in.env.check(parser.Model); err != nil {
		if word := strings.Fields(parsed.Command())[0]; word == "serve" || word == "migrate" {
			return fail(exitRefused, err)
		}
		fmt.Fprintln(stderr, "ductledger: warning: "+err.Error())
	}
	in.settings, in.json = settingsOf(parsed, in.env), table.JSON
	if err := parsed.Run(in); err != nil {
		var exit *exitError
		if errors.As(err, &exit) {
			return fail(exit.code, err)
		}
		return fail(exitFailed, err)
	}
	return exitGood
}
