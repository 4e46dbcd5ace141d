package main

import (
	"context"
	"log/slog"
	"net/http"
	"strconv"
	"time"

	"ductledger/api/frame"
	"ductledger/storage"
	"ductledger/storage/upkeep"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// metrics tell what is slow, and what it waits for. Labels come from closed
// lists: the method and pattern of a route of ours, the class of a status, an
// order of shedding with its causes, names of limits, and codes of programs.
type metrics struct {
	registry *prometheus.Registry
	requests *prometheus.CounterVec
	seconds  *prometheus.HistogramVec
	events   *prometheus.CounterVec
	refused  *prometheus.CounterVec
	stages   *prometheus.HistogramVec
}

func newMetrics() *metrics {
	m := &metrics{registry: prometheus.NewRegistry()}
	counter := func(name, help string, labels ...string) *prometheus.CounterVec {
		v := prometheus.NewCounterVec(prometheus.CounterOpts{Name: name, Help: help}, labels)
		m.registry.MustRegister(v)
		return v
	}
	histogram := func(name, help string, labels ...string) *prometheus.HistogramVec {
		v := prometheus.NewHistogramVec(prometheus.HistogramOpts{Name: name, Help: help,
			Buckets: []float64{0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10, 30}}, labels)
		m.registry.MustRegister(v)
		return v
	}
	m.requests = counter("ductledger_requests_total", "Requests answered, by route and class of status.", "method", "route", "status")
	m.seconds = histogram("ductledger_request_seconds", "Time from the first byte to the answer, by route.", "method", "route")
	m.events = counter("ductledger_events_total", "What no answer shows: receipt_ignored, a receipt that this service did not write.", "event")
	m.refused = counter("ductledger_refused_total", "Requests that found no room, by order of shedding and cause.", "class", "cause")
	m.stages = histogram("ductledger_push_seconds", "Time of each part of a push: read, store, answer.", "stage")
	m.registry.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return m
}

// observe is told of every answer. A request for no route of ours counts
// under one name, so that no stranger can make labels.
func (m *metrics) observe(method, pattern string, status int, took time.Duration) {
	if pattern == "" {
		method, pattern = "other", "other"
	}
	m.requests.WithLabelValues(method, pattern, strconv.Itoa(status/100)+"xx").Inc()
	m.seconds.WithLabelValues(method, pattern).Observe(took.Seconds())
}

// count is told of an event; the api has the closed list of their names.
func (m *metrics) count(event string) { m.events.WithLabelValues(event).Inc() }

func (m *metrics) refuse(class, cause string) { m.refused.WithLabelValues(class, cause).Inc() }

func (m *metrics) stage(stage string, took time.Duration) {
	m.stages.WithLabelValues(stage).Observe(took.Seconds())
}

// gauge shows how much is in use of what is bounded.
func (m *metrics) gauge(name string, read func() float64) {
	m.reads("ductledger_in_use", "In use of what is bounded: work, queue, polls (requests), body_memory (bytes).", prometheus.Labels{"what": name}, read)
}

func (m *metrics) reads(name, help string, labels prometheus.Labels, read func() float64) {
	m.registry.MustRegister(prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: name, Help: help, ConstLabels: labels}, read))
}

// limits shows where the bounds stand, to be compared with what is in use.
func (m *metrics) limits(lim frame.Limits) {
	for _, row := range frame.LimitTable() {
		m.reads("ductledger_limit", "A limit, as ductledger doctor lists it.", prometheus.Labels{"name": row.Name}, func() float64 { return row.Of(lim) })
	}
}

// log shows what nobody could read.
func (m *metrics) log(lines *logQueue) {
	m.registry.MustRegister(prometheus.NewCounterFunc(prometheus.CounterOpts{Name: "ductledger_log_dropped_total",
		Help: "Lines of the log that were dropped, since nobody read them in time."}, func() float64 { return float64(lines.lost()) }))
}

// database shows the pool of connections.
func (m *metrics) database(db *storage.DB) {
	for _, row := range []struct {
		name, help string
		read       func(storage.Stat) float64
	}{
		{"ductledger_connections_in_use", "Connections to the database that serve a transaction.", func(s storage.Stat) float64 { return float64(s.InUse) }},
		{"ductledger_connections_idle", "Connections to the database that are open and free.", func(s storage.Stat) float64 { return float64(s.Idle) }},
		{"ductledger_connections_most", "Connections to the database, at most.", func(s storage.Stat) float64 { return float64(s.Most) }},
		{"ductledger_connection_waits", "Transactions that waited for a connection, since the start.", func(s storage.Stat) float64 { return float64(s.Waits) }},
		{"ductledger_connection_wait_seconds", "All such waits together, since the start.", func(s storage.Stat) float64 { return s.Waited.Seconds() }},
		{"ductledger_transactions", "Transactions under way.", func(s storage.Stat) float64 { return float64(s.UnderWay) }},
		{"ductledger_database_away", "1 while the database does not answer and requests are refused.", func(s storage.Stat) float64 {
			if s.Away {
				return 1
			}
			return 0
		}},
	} {
		m.reads(row.name, row.help, nil, func() float64 { return row.read(db.Stat()) })
	}
}

// programInterval is how often the database is asked what waits in programs.
const programInterval = 30 * time.Second

// watchPrograms keeps the numbers of each program, until ctx ends.
func (m *metrics) watchPrograms(ctx context.Context, db *storage.DB, now func() time.Time, log *slog.Logger) {
	gauge := func(name, help string, labels ...string) *prometheus.GaugeVec {
		v := prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: name, Help: help}, append([]string{"program"}, labels...))
		m.registry.MustRegister(v)
		return v
	}
	position := gauge("ductledger_position", "Position of the program's ledger.")
	epoch := gauge("ductledger_epoch", "Always 1; another epoch means that history was restored or replaced.", "epoch")
	held := gauge("ductledger_held", "Held items that are not settled, by state.", "state")
	heldAge := gauge("ductledger_held_oldest_seconds", "Age of the oldest of them.")
	builds := gauge("ductledger_builds", "Packages that are asked for or failed.", "state")
	buildAge := gauge("ductledger_build_oldest_seconds", "Time since the oldest was asked for that is not made.")
	restoreAge := gauge("ductledger_restore_tried_seconds", "Time since a backup was last restored beside and proved; absent when none was.")
	age := func(at *time.Time) float64 {
		if at == nil {
			return 0
		}
		return now().Sub(*at).Seconds()
	}
	tick := time.NewTicker(programInterval)
	defer tick.Stop()
	for {
		list, err := upkeep.ProgramStats(ctx, db)
		if err != nil && ctx.Err() == nil {
			log.Warn("the numbers of the programs could not be read", "error", err.Error())
		}
		if err == nil {
			epoch.Reset() // an epoch that ended is not shown
		}
		for _, p := range list {
			position.WithLabelValues(p.Code).Set(float64(p.Position))
			epoch.WithLabelValues(p.Code, p.Epoch.String()).Set(1)
			held.WithLabelValues(p.Code, "open").Set(float64(p.HeldOpen))
			held.WithLabelValues(p.Code, "waiting").Set(float64(p.HeldWaiting))
			heldAge.WithLabelValues(p.Code).Set(age(p.OldestHeldAt))
			builds.WithLabelValues(p.Code, "building").Set(float64(p.Builds))
			builds.WithLabelValues(p.Code, "failed").Set(float64(p.BuildsFailed))
			buildAge.WithLabelValues(p.Code).Set(age(p.OldestAskAt))
			if p.RestoreTriedAt != nil {
				restoreAge.WithLabelValues(p.Code).Set(age(p.RestoreTriedAt))
			}
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

func (m *metrics) handler() http.Handler {
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{}))
	return mux
}
