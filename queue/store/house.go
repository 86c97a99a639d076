package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strconv"

	"undercroft/queue"
)

// Keys of the house's answers.
const (
	KeyHome     = "home-hours"
	KeyCold     = "cold-hours"
	KeyCautions = "cautions-seen" // when the cautions were shown, RFC 3339
	KeyCurve    = "heat-curve"    // + "/PRINTER/HEATER": how it warms up, JSON
	KeyConstant = "constant"      // + "/PRINTER/WHAT": how long it homes or levels, JSON
	KeyOwed     = "owed-heat"     // + "/PRINTER": targets that it may still have from us, JSON
	KeyEyes     = "eyes"          // "off": nobody is called to first layers
	KeyMargin   = "spool-margin"  // kept on a reel over what a file needs, a share of it
	KeyShort    = "spool-short"   // "warn": a reel that will not last does not keep a job from starting
)

// Setting gives an answer of the house, empty when there is none.
func (s *Store) Setting(ctx context.Context, key string) (string, error) {
	var v string
	err := s.r.QueryRowContext(ctx, `SELECT value FROM house WHERE key = ?`, key).Scan(&v)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return "", explain("reading "+key, err)
	}
	return v, nil
}

// SetSetting keeps an answer of the house.
func (s *Store) SetSetting(ctx context.Context, key, value string) error {
	return s.tx(ctx, "storing "+key, func(tx *sql.Tx) error { return s.set(ctx, tx, key, value) })
}

func (s *Store) set(ctx context.Context, tx *sql.Tx, key, value string) error {
	_, err := tx.ExecContext(ctx, `INSERT INTO house (key, value, changed_at) VALUES (?,?,?) ON CONFLICT (key) DO UPDATE SET value = excluded.value, changed_at = excluded.changed_at`, key, value, ms(s.now()))
	return err
}

// Hours gives the home hours and the cold hours as they were answered.
func (s *Store) Hours(ctx context.Context) (queue.Hours, error) {
	var h queue.Hours
	home, err := s.Setting(ctx, KeyHome)
	if err != nil {
		return h, err
	}
	cold, err := s.Setting(ctx, KeyCold)
	if err != nil {
		return h, err
	}
	if home == "" || cold == "" {
		return h, nil
	}
	if h.Home, err = queue.ParseSchedule(home); err != nil {
		return h, fmt.Errorf("the stored home hours: %w", err)
	}
	if h.Cold, err = queue.ParseSchedule(cold); err != nil {
		return h, fmt.Errorf("the stored cold hours: %w", err)
	}
	h.Answered = true
	return h, nil
}

// SetHours keeps both answers.
func (s *Store) SetHours(ctx context.Context, home, cold queue.Schedule) error {
	return s.tx(ctx, "storing the hours", func(tx *sql.Tx) error {
		if err := s.set(ctx, tx, KeyHome, home.String()); err != nil {
			return err
		}
		return s.set(ctx, tx, KeyCold, cold.String())
	})
}

// Stock gives the owner's word on reels that may not last.
func (s *Store) Stock(ctx context.Context) (queue.Stock, error) {
	var k queue.Stock
	margin, err := s.Setting(ctx, KeyMargin)
	if err != nil {
		return k, err
	}
	if margin != "" {
		v, err := strconv.ParseFloat(margin, 64)
		if err != nil {
			return k, fmt.Errorf("the stored margin of reels: %w", err)
		}
		k.Margin = &v
	}
	short, err := s.Setting(ctx, KeyShort)
	k.Warn = short == "warn"
	return k, err
}

// SetStock keeps the owner's word on reels.
func (s *Store) SetStock(ctx context.Context, k queue.Stock) error {
	return s.tx(ctx, "storing what holds for reels", func(tx *sql.Tx) error {
		short := "refuse"
		if k.Warn {
			short = "warn"
		}
		if err := s.set(ctx, tx, KeyShort, short); err != nil {
			return err
		}
		return s.set(ctx, tx, KeyMargin, strconv.FormatFloat(k.Share(), 'g', -1, 64))
	})
}
