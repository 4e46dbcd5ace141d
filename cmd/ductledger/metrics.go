package main

import (
	"net/http"
	"strconv"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// metrics count requests. Their labels come from closed lists: the method and
// pattern of a route of ours, and the class of the status.
type metrics struct {
	registry *prometheus.Registry
	requests *prometheus.CounterVec
	seconds  *prometheus.HistogramVec
	events   *prometheus.CounterVec
}

func newMetrics() *metrics {
	m := &metrics{
		registry: prometheus.NewRegistry(),
		requests: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "ductledger_requests_total", Help: "Requests answered, by route and class of status."},
			[]string{"method", "route", "status"}),
		seconds: prometheus.NewHistogramVec(prometheus.HistogramOpts{
			Name: "ductledger_request_seconds", Help: "Time from the first byte to the answer, by route.",
			Buckets: []float64{0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10, 30}},
			[]string{"method", "route"}),
		events: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "ductledger_events_total", Help: "What no answer shows: receipt_ignored, a receipt that this service did not write."},
			[]string{"event"}),
	}
	m.registry.MustRegister(m.requests, m.seconds, m.events, collectors.NewGoCollector(),
		collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
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

func (m *metrics) handler() http.Handler {
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{}))
	return mux
}
