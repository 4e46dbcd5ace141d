package main

import (
	"bytes"
	"crypto/ed25519"
	"errors"
	"fmt"
	"io"
	"os"

	"ductledger/domain/pack"
)

type verifyCommand struct {
	File     string `arg:"" help:"The package, a zip."`
	Previous string `from:"-" placeholder:"FILE" help:"The package of the month before: this one must begin where that one ends."`
	Month    string `from:"-" placeholder:"FILE" help:"Of the file of one job: the package of a month that shows the job. Its entries must be those of that package."`
	SignedBy string `from:"-" placeholder:"FILE" help:"A public key as ssh-keygen writes it: the package must be signed with it."`
}

func (verifyCommand) Help() string {
	return "Needs nothing but the file: digests, schema, keys, control totals, the line from last month's figures to this month's, the links of a job's entries, and the signature. What does not hold is named with file, row and column.\n" +
		"The exit code is 0 when all holds, 1 when something does not, 2 when the file cannot be read as a package.\n\nExample:\n  ductledger verify NORTH_2026-10_r1.zip --previous NORTH_2026-09_r1.zip"
}

func (c *verifyCommand) Run(in *invocation) error {
	report, err := c.report()
	if err != nil {
		return &exitError{exitRefused, err}
	}
	err = in.answer(report, func(w io.Writer) error {
		_, err := fmt.Fprint(w, report.Text())
		return err
	})
	if err != nil {
		return err
	}
	if !report.Holds {
		return errors.New("the package does not hold")
	}
	return nil
}

func (c *verifyCommand) report() (r pack.Report, err error) {
	file, size, err := openPackage(c.File)
	if err != nil {
		return r, err
	}
	defer file.Close()
	o := pack.VerifyOptions{}
	if c.Previous != "" {
		previous, size, err := openPackage(c.Previous)
		if err != nil {
			return r, fmt.Errorf("--previous: %w", err)
		}
		defer previous.Close()
		o.Previous, o.PreviousSize = previous, size
	}
	if c.Month != "" {
		month, size, err := openPackage(c.Month)
		if err != nil {
			return r, fmt.Errorf("--month: %w", err)
		}
		defer month.Close()
		o.Month, o.MonthSize = month, size
	}
	if c.SignedBy != "" {
		if o.PublicKey, err = publicKeyIn(c.SignedBy); err != nil {
			return r, fmt.Errorf("--signed-by: %w", err)
		}
	}
	r, err = pack.Verify(file, size, o)
	if err != nil {
		return r, fmt.Errorf("%s: %w", c.File, err)
	}
	return r, nil
}

func openPackage(name string) (*os.File, int64, error) {
	file, err := os.Open(name)
	if err != nil {
		return nil, 0, err
	}
	info, err := file.Stat()
	if err == nil && !info.Mode().IsRegular() {
		err = fmt.Errorf("%s is not a file", name)
	}
	if err != nil {
		return nil, 0, errors.Join(err, file.Close())
	}
	return file, info.Size(), nil
}

func publicKeyIn(name string) (ed25519.PublicKey, error) {
	text, err := os.ReadFile(name)
	if err != nil {
		return nil, err
	}
	return pack.ParsePublicKey(string(bytes.TrimSpace(text)))
}
