package broker

import (
	"context"
	"fmt"
	"log/slog"
	"sync"
	"time"
)

// Lines of warnings and errors that are logged within a second. A device that tries what it may not makes one each
// time, and must not fill a disk by it.
const maxLines = 20

// serverLog takes what the server says. What it traces, which would have credentials in it, is never asked for.
type serverLog struct {
	log *slog.Logger
	now func() time.Time

	mu      sync.Mutex
	second  time.Time
	lines   int
	dropped int
	stopped string // the first reason for not going on
	running bool
}

func newServerLog(log *slog.Logger, now func() time.Time) *serverLog {
	return &serverLog{log: log.With("part", "broker"), now: now}
}

func (l *serverLog) Noticef(format string, v ...any) { l.say(slog.LevelDebug, format, v...) }
func (l *serverLog) Warnf(format string, v ...any)   { l.say(slog.LevelWarn, format, v...) }
func (l *serverLog) Errorf(format string, v ...any)  { l.say(slog.LevelError, format, v...) }
func (l *serverLog) Debugf(string, ...any)           {}
func (l *serverLog) Tracef(string, ...any)           {}

// Fatalf is what the server says when it cannot start. It goes on without what failed; Start asks fatal, returns that
// as its error and ends the server. Later there is nobody to return it to.
func (l *serverLog) Fatalf(format string, v ...any) {
	l.mu.Lock()
	running := l.running
	if l.stopped == "" {
		l.stopped = fmt.Sprintf(format, v...)
	}
	l.mu.Unlock()
	if running {
		l.say(slog.LevelError, format, v...)
	}
}

// started is called when Start returns.
func (l *serverLog) started() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.running = true
}

// fatal is why the server cannot go on, or nothing.
func (l *serverLog) fatal() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.stopped
}

func (l *serverLog) say(level slog.Level, format string, v ...any) {
	if !l.log.Enabled(context.Background(), level) {
		return
	}
	ok, dropped := l.room(level)
	if dropped > 0 {
		l.log.Warn("lines of the log were dropped", "lines", dropped)
	}
	if ok {
		l.log.Log(context.Background(), level, fmt.Sprintf(format, v...))
	}
}

// room counts a line, and says whether it may be written and how many were dropped in the second before.
func (l *serverLog) room(level slog.Level) (ok bool, dropped int) {
	if level < slog.LevelWarn {
		return true, 0
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if s := l.now().Truncate(time.Second); !s.Equal(l.second) {
		dropped = l.dropped
		l.second, l.lines, l.dropped = s, 0, 0
	}
	if l.lines++; l.lines > maxLines {
		l.dropped++
		return false, dropped
	}
	return true, dropped
}
