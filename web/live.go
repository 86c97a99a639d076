package web

import (
	"errors"
	"net/http"
	"time"

	"github.com/gorilla/websocket"

	"undercroft/web/door"
)

// live serves /api/live: a websocket (RFC 6455) of the messages in
// live_change.go, one way. What a client sends is read for its pongs and its
// closing only.
type live struct {
	hub      *hub
	upgrader websocket.Upgrader
	pongWait time.Duration // a client that answers no ping for this long is gone
}

const (
	liveWriteWait = 5 * time.Second
	liveReadLimit = 512 // bytes of one message from a client
)

func newLive(h *hub) *live {
	return &live{
		hub:      h,
		pongWait: 60 * time.Second,
		upgrader: websocket.Upgrader{
			HandshakeTimeout: 10 * time.Second,
			ReadBufferSize:   1 << 10,
			WriteBufferSize:  4 << 10,
			// No CheckOrigin: the built-in one refuses an Origin of another host.
			Error: func(w http.ResponseWriter, _ *http.Request, status int, reason error) {
				p := problem(status, "The live connection was not made: "+reason.Error()+".")
				p.write(w)
			},
		},
	}
}

func (l *live) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if !websocket.IsWebSocketUpgrade(r) {
		w.Header().Set("Upgrade", "websocket")
		problem(http.StatusUpgradeRequired, "This address speaks websocket (RFC 6455); everything it tells is at /api/view too.").write(w)
		return
	}
	me := l.hub.join()
	if me == nil {
		w.Header().Set("Retry-After", "30")
		problem(http.StatusServiceUnavailable, "Too many are watching already. Look again in half a minute, or close a page elsewhere.").write(w)
		return
	}
	defer l.hub.leave(me)
	conn, err := l.upgrader.Upgrade(w, r, nil)
	if err != nil {
		return // answered by the upgrader
	}
	l.serve(conn, me, func() bool { return door.Still(r.Context()) })
}

// serve writes until the client leaves or is cut, or may no longer watch. The
// reader runs beside it, and its end is waited for.
func (l *live) serve(conn *websocket.Conn, me *watcher, still func() bool) {
	read := make(chan struct{})
	go func() {
		defer close(read)
		conn.SetReadLimit(liveReadLimit)
		wait := func() { _ = conn.SetReadDeadline(time.Now().Add(l.pongWait)) }
		wait()
		conn.SetPongHandler(func(string) error { wait(); return nil })
		for {
			if _, _, err := conn.NextReader(); err != nil {
				return
			}
		}
	}()
	defer func() {
		conn.Close()
		<-read
	}()

	ping := time.NewTicker(l.pongWait * 2 / 5)
	defer ping.Stop()
	for {
		select {
		case <-read:
			return
		case <-me.gone:
			code := websocket.CloseTryAgainLater
			if l.hub.isClosed() {
				code = websocket.CloseGoingAway
			}
			// A cut client may not take it in; it is told all the same.
			_ = conn.WriteControl(websocket.CloseMessage, websocket.FormatCloseMessage(code, me.why), time.Now().Add(time.Second))
			return
		case <-ping.C:
			if !still() {
				_ = conn.WriteControl(websocket.CloseMessage, websocket.FormatCloseMessage(websocket.ClosePolicyViolation, "logged out"), time.Now().Add(time.Second))
				return
			}
			if err := conn.WriteControl(websocket.PingMessage, nil, time.Now().Add(liveWriteWait)); err != nil && !errors.Is(err, websocket.ErrCloseSent) {
				return
			}
		case frame := <-me.out:
			_ = conn.SetWriteDeadline(time.Now().Add(liveWriteWait))
			if err := conn.WriteMessage(websocket.TextMessage, frame); err != nil {
				return
			}
		}
	}
}
