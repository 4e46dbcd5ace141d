package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"strings"
	"time"

	"ductledger/api/frame"
	"ductledger/migrations"
	"ductledger/storage"
	"ductledger/storage/cluster"
	"ductledger/storage/upkeep"
)

type doctorCommand struct {
	serveSettings
	postgresSettings
}

func (doctorCommand) Help() string {
	return "Shows each setting of the service with its origin and looks at what the service needs. Nothing is changed. The exit code is 1 when something needs a hand.\n\nExample:\n  ductledger doctor"
}

// What the doctor asks about.
const (
	clockWithin    = 5 * time.Second // between this machine and the database's
	openJobsAtMost = 200             // of one contractor: its devices' first pull grows with them
)

// An examination prints what is found and counts what needs a hand.
type examination struct {
	in    *invocation
	wrong int
	found []finding
}

// finding is one line of what the doctor saw: ok, LOOK or note.
type finding struct {
	Mark string `json:"mark"`
	What string `json:"what"`
	Text string `json:"text"`
}

func (e *examination) good(what, format string, args ...any) { e.line("ok", what, format, args) }
func (e *examination) bad(what, format string, args ...any) {
	e.wrong++
	e.line("LOOK", what, format, args)
}
func (e *examination) note(what, format string, args ...any) { e.line("note", what, format, args) }
func (e *examination) line(mark, what, format string, args []any) {
	e.found = append(e.found, finding{mark, what, fmt.Sprintf(format, args...)})
}

func (c *doctorCommand) Run(in *invocation) error {
	limits, err := c.shownLimits()
	if err != nil {
		return &exitError{exitRefused, err}
	}
	e := &examination{in: in}
	e.note("postgres", "for the demo and the tests: %s", cluster.Look(in.ctx, c.options()))
	c.examinePictures(e)
	if err := c.examine(e); err != nil {
		e.bad("database", "%v", err)
	}
	err = in.answer(map[string]any{"settings": in.settings, "limits": limits, "found": e.found}, func(w io.Writer) error {
		for _, s := range in.settings {
			fmt.Fprintf(w, "%-16s %s (%s)\n", s.Name, s.Value, s.Origin)
		}
		for _, l := range limits {
			fmt.Fprintf(w, "--limit %-26s %-10.10g %s\n", l.Name, l.Value, l.Reason)
		}
		for _, f := range e.found {
			fmt.Fprintf(w, "%-4s  %-9s %s\n", f.Mark, f.What, f.Text)
		}
		return nil
	})
	if err != nil {
		return err
	}
	if e.wrong > 0 {
		if e.wrong == 1 {
			return errors.New("one thing needs a hand")
		}
		return fmt.Errorf("%d things need a hand", e.wrong)
	}
	return nil
}

// shownLimit is one limit of the service with its reason.
type shownLimit struct {
	Name   string  `json:"name"`
	Value  float64 `json:"value"`
	Reason string  `json:"reason"`
}

func (c *doctorCommand) shownLimits() (list []shownLimit, err error) {
	lim, err := c.limits()
	for _, row := range frame.LimitTable() {
		list = append(list, shownLimit{row.Name, row.Of(lim), row.Reason})
	}
	return list, err
}

func (c *doctorCommand) examine(e *examination) error {
	address, err := c.address()
	if err != nil {
		return errors.New("none is named: set DATABASE_URL")
	}
	state, err := migrations.Status(e.in.ctx, address)
	if err != nil {
		return err
	}
	if len(state.Pending) > 0 {
		e.bad("schema", "at version %d of %d, pending: %s", state.Current, state.Newest, strings.Join(state.Pending, " "))
		return nil
	}
	e.good("schema", "at version %d", state.Current)
	db, err := c.open(e.in, storage.Options{Connections: 1})
	if err != nil {
		return err
	}
	defer db.Close()
	before := e.in.now()
	found, err := upkeep.Look(e.in.ctx, db)
	if err != nil {
		return err
	}
	e.database(found, before, e.in.now())
	return e.programs(db)
}

func (e *examination) database(h upkeep.Database, asked, answered time.Time) {
	e.good("database", "PostgreSQL %s, %.1f MB", h.ServerVersion, float64(h.BytesCount)/1e6)
	if !h.Fsync {
		e.bad("disk", "fsync is off: what was answered can be lost")
	}
	off := max(0, h.ServerAt.Sub(answered)) - max(0, asked.Sub(h.ServerAt)) // nothing, where it lies between
	if off.Abs() > clockWithin {
		e.bad("clock", "the database's clock is off ours by %s", off.Round(time.Millisecond))
	} else {
		e.good("clock", "the database's clock agrees within %s", clockWithin)
	}
	if len(h.InvalidIndexes) > 0 {
		e.bad("indexes", "invalid, to be built again: %s", strings.Join(h.InvalidIndexes, " "))
	} else {
		e.good("indexes", "all valid")
	}
	e.note("disk", "the disk of the database's machine is for its own monitoring")
}

func (e *examination) programs(db *storage.DB) error {
	list, err := db.Programs(e.in.ctx)
	if err != nil {
		return err
	}
	for _, p := range list {
		crowded, head, err := upkeep.CrowdedContractors(e.in.ctx, db, p.ID, openJobsAtMost)
		if err != nil {
			return err
		}
		e.good("program", "%s at position %d, epoch %s", p.Code, head.Position, head.Epoch)
		if err := e.restore(db, p); err != nil {
			return err
		}
		for _, id := range crowded {
			e.bad("program", "%s: contractor %s has more than %d open jobs", p.Code, id, openJobsAtMost)
		}
	}
	return nil
}

// examinePictures tries whether the place for pictures takes them.
func (c *doctorCommand) examinePictures(e *examination) {
	store, closeStore, err := c.place(slog.New(slog.DiscardHandler))
	defer closeStore()
	switch {
	case err == nil && store == nil:
		err = errors.New("there is none: name a folder or a bucket")
	case err == nil:
		ctx, cancel := context.WithTimeout(e.in.ctx, placeTime)
		defer cancel()
		err = store.Check(ctx)
	}
	if err != nil {
		e.bad("pictures", "the place for them takes none, so they wait on the devices: %v", err)
		return
	}
	e.good("pictures", "the place for them takes them")
}

// placeTime is what the doctor waits for the place for pictures.
const placeTime = 10 * time.Second

// restore tells how long ago a backup was tried. A program younger than the
// limit is told, an older one needs a hand.
func (e *examination) restore(db *storage.DB, p storage.Program) error {
	at, err := upkeep.RestoreTriedAt(e.in.ctx, db, p.ID)
	switch {
	case err != nil:
		return err
	case at != nil && e.in.now().Sub(*at) <= upkeep.RestoreWithin:
		e.good("restore", "%s: a backup was restored and proved on %s", p.Code, at.Format(time.DateOnly))
	case at == nil && e.in.now().Sub(p.CreatedAt) <= upkeep.RestoreWithin:
		e.note("restore", "%s: no backup was tried yet: ductledger restore --verify", p.Code)
	default:
		e.bad("restore", "%s: no backup was tried for %d days: ductledger restore --verify", p.Code, int(upkeep.RestoreWithin.Hours()/24))
	}
	return nil
}
