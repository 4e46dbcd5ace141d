package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"

	"ductledger/domain"
	"ductledger/domain/pack"
	"ductledger/storage"
	"ductledger/storage/cluster"
	"ductledger/storage/judgment"
	monthdb "ductledger/storage/month"
	"ductledger/storage/upkeep"
)

type restoreCommand struct {
	databaseSettings
	Backup  string    `arg:"" placeholder:"FOLDER" help:"A base backup, as deploy/backup/base-backup makes it."`
	Archive string    `from:"-" placeholder:"FOLDER" help:"The archive of WAL files; without it the state at the end of the base backup comes back."`
	Until   time.Time `from:"-" placeholder:"TIME" help:"Stop at this moment, such as 2026-11-30T14:00:00Z, before what went wrong; the archive's end when absent."`
	Into    string    `from:"-" placeholder:"FOLDER" help:"The new data folder of Postgres; it must be empty or not be there."`
	Verify  bool      `from:"-" help:"Try the backup: restore it beside, prove it, note in the database that serves that this was done, and remove it."`
}

func (restoreCommand) Help() string {
	return "Checks the backup against its manifest, lets Postgres replay the archive in a new data folder, and proves what came back: every program's chain from the first position, every result made again, the newest package read and verified. It never writes over anything. DATABASE_URL gives the names of the login and the database.\n\n" +
		"Afterwards start Postgres on the folder and say: ductledger history restored.\n\n" +
		"Example:\n  ductledger restore --verify /var/backups/ductledger/base/2026-11-29T020000Z --archive /var/backups/ductledger/wal\n" +
		"  ductledger restore /var/backups/ductledger/base/2026-11-29T020000Z --archive /var/backups/ductledger/wal --into /var/lib/postgresql/17/restored"
}

// proof is what was seen of one restored program.
type proof struct {
	Program  string `json:"program"`
	Position int64  `json:"position"`
	Link     string `json:"link"`
	Results  int    `json:"results_count"`
	Package  string `json:"package,omitempty"` // the newest one's file
}

func (c *restoreCommand) Run(in *invocation) (err error) {
	refuse := func(format string, args ...any) error { return &exitError{exitRefused, fmt.Errorf(format, args...)} }
	address, err := c.address()
	if err != nil {
		return err
	}
	live, err := url.Parse(address)
	switch {
	case err != nil || live.User == nil || strings.Trim(live.Path, "/") == "":
		return refuse("DATABASE_URL must name the login and the database, as postgres://login@host/database")
	case c.Into == "" && !c.Verify:
		return refuse("--into names the new data folder; with --verify the restored copy is only tried")
	case !c.Until.IsZero() && c.Archive == "":
		return refuse("--until needs the --archive")
	}
	into := c.Into
	if into == "" {
		folder, err := os.MkdirTemp("", "ductledger-restore-*")
		if err != nil {
			return err
		}
		defer func() { err = errors.Join(err, os.RemoveAll(folder)) }()
		if err := os.Chmod(folder, 0o711); err != nil { // Postgres' own user must get through
			return err
		}
		into = filepath.Join(folder, "data")
	}
	server, err := cluster.Restore(in.ctx, cluster.Backup{Folder: c.Backup, Archive: c.Archive, Until: c.Until, Into: into,
		Login: live.User.Username(), Database: strings.Trim(live.Path, "/"), Say: func(line string) { fmt.Fprintln(in.stderr, line) }})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, server.Stop()) }()
	restored := databaseSettings{DatabaseURL: server.URL("")}
	db, err := restored.open(in, storage.Options{Connections: 2})
	if err != nil {
		return err
	}
	defer db.Close()
	proofs, err := proveAll(in.ctx, db)
	if err == nil && c.Verify {
		err = c.note(in, proofs)
	}
	if err != nil {
		return err
	}
	return in.answer(map[string]any{"programs": proofs, "into": c.Into}, func(w io.Writer) error {
		for _, p := range proofs {
			fmt.Fprintf(w, "%s: positions 1 to %d hold, link %s; %d results the same to the byte; newest package %s\n",
				p.Program, p.Position, p.Link, p.Results, orNone(p.Package))
		}
		if !c.Verify {
			fmt.Fprintf(w, "restored in %s: start Postgres on it, then say: ductledger history restored\n", c.Into)
		}
		return nil
	})
}

func orNone(text string) string {
	if text == "" {
		return "none"
	}
	return text
}

func proveAll(ctx context.Context, db *storage.DB) (list []proof, err error) {
	programs, err := db.Programs(ctx)
	if err == nil && len(programs) == 0 {
		err = errors.New("the backup holds no program")
	}
	for _, p := range programs {
		if err != nil {
			break
		}
		var one proof
		one, err = prove(ctx, db, p)
		if err != nil {
			err = fmt.Errorf("program %s: %w", p.Code, err)
		}
		list = append(list, one)
	}
	return list, err
}

// prove recomputes what can be recomputed of a program: the chain, all results,
// and the newest package.
func prove(ctx context.Context, db *storage.DB, p storage.Program) (proof, error) {
	chain, err := db.VerifyChain(ctx, p.ID, 1, 0)
	if err != nil {
		return proof{}, err
	}
	if chain.Broken > 0 {
		return proof{}, fmt.Errorf("the chain is broken at position %d: %s", chain.Broken, chain.Why)
	}
	out := proof{Program: p.Code, Position: chain.To, Link: chain.Link.String()}
	err = judgment.Recompute(ctx, db, p.ID, domain.UUID{}, func(r judgment.Recomputed) error {
		out.Results++
		if !r.Same() {
			return fmt.Errorf("the result of job %s differs from what its records give: %s", r.JobID, strings.Join(r.Differs, ", "))
		}
		return nil
	})
	if err != nil {
		return out, err
	}
	out.Package, err = provePackage(ctx, db, p)
	return out, err
}

// provePackage verifies the newest package as a stranger would, and that it was
// cut from this ledger. Its file's name is answered, empty when there is none.
func provePackage(ctx context.Context, db *storage.DB, p storage.Program) (string, error) {
	newest, err := monthdb.NewestPackage(ctx, db, operator(p.ID))
	if err != nil || newest == nil {
		return "", err
	}
	report, err := pack.Verify(monthdb.OpenFile(ctx, db, operator(p.ID), newest), newest.Bytes, pack.VerifyOptions{})
	switch {
	case err != nil:
		return "", fmt.Errorf("package %s: %w", newest.FileName, err)
	case !report.Holds:
		return "", fmt.Errorf("package %s does not hold:\n%s", newest.FileName, report.Text())
	case report.SHA256 != newest.SHA256:
		return "", fmt.Errorf("package %s is not the file that was stored", newest.FileName)
	}
	return newest.FileName, nil
}

// note holds what came back to the database that serves and writes the trial
// into each program's audit: the restored ledger is the beginning of the served one.
func (c *restoreCommand) note(in *invocation, proofs []proof) error {
	live, err := c.open(in, storage.Options{Connections: 1})
	if err != nil {
		return fmt.Errorf("the backup is good, but the trial could not be noted: %w", err)
	}
	defer live.Close()
	for _, p := range proofs {
		link, err := live.LinkAt(in.ctx, storage.ProgramID(p.Program), p.Position)
		if err != nil {
			return err
		}
		if link.String() != p.Link {
			return fmt.Errorf("program %s: at position %d the backup is not what the database that serves has", p.Program, p.Position)
		}
		if err := upkeep.NoteRestoreTried(in.ctx, live, operator(storage.ProgramID(p.Program)), p.Position); err != nil {
			return err
		}
	}
	return nil
}
