package main

import (
	"errors"
	"fmt"
	"io"

	"ductledger/domain"
	"ductledger/storage"
	"ductledger/storage/judgment"
)

type recomputeCommand struct {
	databaseSettings
	Program string `from:"-" placeholder:"CODE" help:"Code of the program; all programs when absent."`
	Job     string `from:"-" placeholder:"ID" help:"One job only."`
}

func (recomputeCommand) Help() string {
	return "Makes every job's result again, from the ledger and from the versions and facts that the result names, and compares it with what is stored. Each column that differs is named; nothing is written. Exit code 0: the same to the byte; 1: something differs.\n\nExample:\n  ductledger recompute --program NORTH"
}

func (c *recomputeCommand) Run(in *invocation) error {
	var job domain.UUID
	if c.Job != "" {
		var err error
		if job, err = domain.ParseUUID(c.Job); err != nil {
			return &exitError{exitRefused, fmt.Errorf("--job %q: %w", c.Job, err)}
		}
	}
	db, err := c.open(in, storage.Options{Connections: 1})
	if err != nil {
		return err
	}
	defer db.Close()
	programs, err := c.programs(in, db)
	if err != nil {
		return err
	}
	rows, differing := 0, []differingResult{}
	for _, p := range programs {
		err := judgment.Recompute(in.ctx, db, p.ID, job, func(r judgment.Recomputed) error {
			rows++
			if r.Same() {
				return nil
			}
			differing = append(differing, differingResult{p.Code, r.JobID, r.Serial, r.Differs})
			return nil
		})
		if err != nil {
			return err
		}
	}
	if rows == 0 && c.Job != "" {
		return errors.New("no result of this job is stored")
	}
	err = in.answer(map[string]any{"results_count": rows, "differing": differing}, func(w io.Writer) error {
		for _, r := range differing {
			for _, d := range r.Differs {
				fmt.Fprintf(w, "%s job %s serial %d: %s\n", r.Program, r.JobID, r.Serial, d)
			}
		}
		if len(differing) == 0 {
			fmt.Fprintf(w, "%d results made again, the same to the byte\n", rows)
		}
		return nil
	})
	if err == nil && len(differing) > 0 {
		err = fmt.Errorf("%d of %d results differ from what the ledger gives", len(differing), rows)
	}
	return err
}

// differingResult is a stored result that the ledger does not give.
type differingResult struct {
	Program string      `json:"program"`
	JobID   domain.UUID `json:"job_id"`
	Serial  int         `json:"serial"`
	Differs []string    `json:"differs"`
}

// programs are the one that is named, or all.
func (c *recomputeCommand) programs(in *invocation, db *storage.DB) ([]storage.Program, error) {
	if c.Program == "" {
		return db.Programs(in.ctx)
	}
	p, err := db.Program(in.ctx, storage.ProgramID(c.Program))
	return []storage.Program{p}, err
}
