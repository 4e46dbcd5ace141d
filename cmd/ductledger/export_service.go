package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/go-json-experiment/json"
)

// builtPackage is what the service says of a package.
type builtPackage struct {
	Revision   int    `json:"revision"`
	State      string `json:"state"`
	Name       string `json:"name"`
	Position   int64  `json:"position"`
	BytesCount int64  `json:"bytes_count"`
	SHA256     string `json:"sha256"`
	Build      struct {
		Stage   string  `json:"stage"`
		Done    int64   `json:"rows_done_count"`
		Total   int64   `json:"rows_total_count"`
		Failure problem `json:"failure"`
	} `json:"build"`
}

// How long the service may take, a little more than it allows itself.
const (
	askTime      = 20 * time.Second
	downloadTime = 11 * time.Minute
)

// How often a build is asked after, and for how many times in a row the
// service may be away meanwhile: another instance takes the build over.
const (
	awaitPause = 500 * time.Millisecond
	awaitTries = 120
)

// fetch lets the service build the package and fetches its file.
func (c *exportCommand) fetch(ctx context.Context, show *show) (p builtPackage, err error) {
	base, err := url.Parse(c.Server)
	if err != nil || base.Host == "" {
		return p, &exitError{exitRefused, fmt.Errorf("--server %q is not an address such as http://127.0.0.1:8080", c.Server)}
	}
	packages := base.JoinPath("v1", "months", c.Month, "packages")
	body, err := json.Marshal(struct {
		FundSource string `json:"fund_source,omitzero"`
		Position   int64  `json:"position,omitzero"`
	}{c.Fund, c.Position})
	if err != nil {
		return p, err
	}
	show.say("building " + c.Month)
	err = c.ask(ctx, askTime, "POST", packages, body, func(r io.Reader) error { return json.UnmarshalRead(r, &p) })
	if err != nil {
		return p, err
	}
	if p, err = c.await(ctx, packages.JoinPath(p.Name), p, &buildShow{show: show}); err != nil {
		return p, err
	}
	show.say(fmt.Sprintf("fetching revision %d, %d bytes", p.Revision, p.BytesCount))
	file := packages.JoinPath(p.Name, "file")
	return p, whole(c.Out, func(w io.Writer) error {
		return c.ask(ctx, downloadTime, "GET", file, nil, func(r io.Reader) error {
			sum := sha256.New()
			if _, err := io.Copy(io.MultiWriter(w, sum), r); err != nil {
				return err
			}
			if got := hex.EncodeToString(sum.Sum(nil)); got != p.SHA256 {
				return fmt.Errorf("the file that came has sha256 %s, the service announced %s", got, p.SHA256)
			}
			return nil
		})
	})
}

// await asks after a build until it stands.
func (c *exportCommand) await(ctx context.Context, revision *url.URL, p builtPackage, show *buildShow) (builtPackage, error) {
	away := 0
	for p.State == "building" {
		show.report(p.Build.Stage, p.Build.Done, p.Build.Total)
		select {
		case <-ctx.Done():
			return p, ctx.Err()
		case <-time.After(awaitPause):
		}
		var now builtPackage
		err := c.ask(ctx, askTime, "GET", revision, nil, func(r io.Reader) error { return json.UnmarshalRead(r, &now) })
		var refused *refusal
		if err != nil && (errors.As(err, &refused) || away == awaitTries || ctx.Err() != nil) {
			return p, err
		}
		if err != nil {
			away++
			continue
		}
		p, away = now, 0
	}
	if p.State == "failed" {
		return p, errors.New(p.Build.Failure.text())
	}
	return p, nil
}

// ask sends one request and lets use read the answer, or gives the problem
// that the service names.
func (c *exportCommand) ask(ctx context.Context, limit time.Duration, method string, to *url.URL, body []byte, use func(io.Reader) error) error {
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	request, err := http.NewRequestWithContext(ctx, method, to.String(), bytes.NewReader(body))
	if err != nil {
		return err
	}
	request.Header.Set("Authorization", "Bearer "+c.Token)
	if body != nil {
		request.Header.Set("Content-Type", "application/json")
	}
	client := http.Client{Transport: &http.Transport{Proxy: http.ProxyFromEnvironment, DisableKeepAlives: true}}
	response, err := client.Do(request)
	if err != nil {
		return err
	}
	defer response.Body.Close()
	if response.StatusCode < 300 {
		return use(response.Body)
	}
	return problemIn(response)
}

// problem is what the service says of what it did not do.
type problem struct {
	Code   string `json:"code"`
	Detail string `json:"detail"`
	Errors []struct {
		Pointer string `json:"pointer"`
		Detail  string `json:"detail"`
	} `json:"errors"`
}

func (p *problem) text() string {
	parts := []string{p.Code + ": " + p.Detail}
	for _, e := range p.Errors {
		parts = append(parts, strings.TrimPrefix(strings.TrimPrefix(e.Pointer, "/")+": "+e.Detail, ": "))
	}
	return strings.Join(parts, "; ")
}

// A refusal is an answer that will be the same the next time.
type refusal struct{ text string }

func (r *refusal) Error() string { return r.text }

func problemIn(response *http.Response) error {
	const most = 64 << 10 // bytes of a problem
	var p problem
	text, err := io.ReadAll(io.LimitReader(response.Body, most))
	if err != nil {
		return err
	}
	said := "the service answered " + response.Status
	if json.Unmarshal(text, &p) == nil && p.Detail != "" {
		said = p.text()
	}
	if response.StatusCode < 500 && response.StatusCode != http.StatusTooManyRequests {
		return &refusal{said}
	}
	return errors.New(said)
}
