package main

import (
	"context"
	"fmt"
	"io"

	"undercroft/queue"
	"undercroft/queue/intake"
	"undercroft/web"
)

// Look reads a file and keeps nothing of it.
func (h *house) Look(ctx context.Context, req web.AddRequest, body io.Reader) (web.Look, error) {
	l, err := h.intake.Look(ctx, intake.Request(req), body)
	if err != nil {
		return web.Look{}, err
	}
	f := l.File
	out := web.Look{
		FileName: l.Request.FileName, SHA256: f.SHA256, Bytes: f.Bytes, Lines: f.Lines, Known: l.Known, Kind: l.Kind, Part: l.Request.Part,
		NozzleMM: l.Request.NozzleMM, Material: l.Request.Material, EstimateS: f.EstimateS, MassG: f.MassG,
		Layers: f.LayerCount, LayerMM: f.LayerMM, SizeMM: f.SizeMM(), Outline: f.Outline, Warnings: findings(f.Warnings),
	}
	if l.Refusal != nil {
		out.Refused = findings(l.Refusal.Findings)
	}
	return out, nil
}

// Inbox says what lies in the configured folder.
func (h *house) Inbox(context.Context) (web.Inbox, error) {
	dir := h.config().House.Inbox
	if dir == "" {
		return web.Inbox{}, nil
	}
	waiting, refused, more, err := intake.ListInbox(dir)
	if err != nil {
		return web.Inbox{}, fmt.Errorf("the inbox folder cannot be read: %w: %w", err, queue.ErrUnavailable)
	}
	out := web.Inbox{Folder: dir, More: more}
	for _, f := range waiting {
		out.Waiting = append(out.Waiting, web.InboxFile(f))
	}
	for _, f := range refused {
		out.Refused = append(out.Refused, web.InboxFile(f))
	}
	return out, nil
}
