package main

import (
	"fmt"
	"io"

	"ductledger/storage"
)

type auditCommand struct {
	databaseSettings
	Program string `from:"-" required:"" help:"Code of the program."`
	From    int64  `from:"-" default:"1" help:"First position."`
	To      int64  `from:"-" default:"0" help:"Last position; 0 for the head."`
}

func (auditCommand) Help() string {
	return "Every version of every record is a link of a chain of SHA-256. The links are computed again from the records; the first that does not hold is named. The head's link stands in released packages: compare it with them.\n\nExample:\n  ductledger audit --program NORTH"
}

func (c *auditCommand) Run(in *invocation) error {
	db, err := c.open(in, storage.Options{Connections: 1})
	if err != nil {
		return err
	}
	defer db.Close()
	report, err := db.VerifyChain(in.ctx, storage.ProgramID(c.Program), c.From, c.To)
	if err != nil {
		return err
	}
	if report.Broken > 0 {
		return fmt.Errorf("the chain is broken at position %d: %s", report.Broken, report.Why)
	}
	shown := map[string]any{"from": report.From, "to": report.To, "link": report.Link}
	return in.answer(shown, func(w io.Writer) (err error) {
		if report.To == 0 {
			_, err = fmt.Fprintln(w, "the ledger is empty")
		} else {
			_, err = fmt.Fprintf(w, "positions %d to %d hold; link %s\n", report.From, report.To, report.Link)
		}
		return err
	})
}
