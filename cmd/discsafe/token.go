package main

import (
	"errors"
	"fmt"
	"io"
	"time"

	"discsafe/api/access"
	"discsafe/api/v1"
	"discsafe/worker/store"

	"github.com/spf13/cobra"
)

func (a *app) tokenCommand() *cobra.Command {
	return group("token", "Make, list and revoke the tokens people sign in with",
		a.tokenNewCommand(), a.tokenListCommand(), a.tokenRevokeCommand())
}

// tokenAction runs something on the tokens of a store, which a running service
// may share.
func (a *app) tokenAction(c *cobra.Command, create bool, run func(cmd *cobra.Command, t *access.Tokens, args []string) error) *cobra.Command {
	return a.storeAction(c, create, func(cmd *cobra.Command, s store.Store, args []string) error {
		return run(cmd, access.NewTokens(s, time.Now), args)
	})
}

func (a *app) tokenNewCommand() *cobra.Command {
	var t v1.NewToken
	c := &cobra.Command{
		Use:   "new --role ROLE --name NAME",
		Short: "Make a token and print its secret, once",
		Long: `new makes a token and prints its secret on standard output. It is stored hashed
and never shown again.

studio    hands in, sees and manages its own sides only; needs --studio
engineer  sees all sides and listens to them, signs off
operator  sees all jobs and the service, makes tokens; does not listen`,
		Example: "  discsafe token new --role studio --studio north --name 'North, mixing desk' > north.token",
		Args:    cobra.NoArgs,
	}
	c.Flags().StringVar(&t.Role, "role", "", "studio, engineer or operator")
	c.Flags().StringVar(&t.Name, "name", "", "whose it is, for lists and histories")
	c.Flags().StringVar(&t.Studio, "studio", "", "of a studio's token: lower-case letters, digits, - and _")
	c.Flags().Float64Var(&t.DaysFor, "days", 0, "valid for so many days; 0: until revoked")
	return a.tokenAction(c, true, func(cmd *cobra.Command, tokens *access.Tokens, _ []string) error {
		if t.Role == "" || t.Name == "" {
			return &usageError{msg: "--role and --name are needed: who may do what, and whose token it is"}
		}
		issued, err := tokens.Issue(cmd.Context(), t)
		if err != nil {
			return err
		}
		if a.json {
			a.printJSON(issued)
			return nil
		}
		fmt.Fprintln(a.stdout, issued.Secret)
		fmt.Fprintf(a.stderr, "token %s for %s made; this is the only time its secret is shown\n", issued.ID, issued.Name)
		return nil
	})
}

func (a *app) tokenListCommand() *cobra.Command {
	c := &cobra.Command{Use: "list", Short: "List tokens, without their secrets", Long: "list prints identifier, role, studio, state and name of each token.", Args: cobra.NoArgs}
	return a.tokenAction(c, false, func(cmd *cobra.Command, tokens *access.Tokens, _ []string) error {
		list, err := tokens.List(cmd.Context())
		if err != nil {
			return err
		}
		if a.json {
			a.printJSON(v1.Tokens{Tokens: append([]v1.Token{}, list...)})
			return nil
		}
		for _, t := range list {
			printToken(a.stdout, t, a.now())
		}
		return nil
	})
}

func printToken(w io.Writer, t v1.Token, now time.Time) {
	state := "valid"
	switch {
	case !t.Revoked.IsZero():
		state = "revoked " + t.Revoked.Local().Format(time.DateOnly)
	case !t.Expires.IsZero() && t.Expires.Before(now):
		state = "expired " + t.Expires.Local().Format(time.DateOnly)
	case !t.Expires.IsZero():
		state = "until " + t.Expires.Local().Format(time.DateOnly)
	}
	fmt.Fprintf(w, "%s  %-8s  %-12s  %-18s  %s\n", t.ID, t.Role, t.Studio, state, t.Name)
}

func (a *app) tokenRevokeCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "revoke ID",
		Short: "Make a token invalid, with every session it began",
		Long:  "revoke makes a token invalid. Running services refuse it within seconds.",
		Args:  oneArg("the identifier of a token, as token list prints it"),
	}
	return a.tokenAction(c, false, func(cmd *cobra.Command, tokens *access.Tokens, args []string) error {
		err := tokens.Revoke(cmd.Context(), args[0])
		if errors.Is(err, access.ErrUnknown) {
			return &inputError{fmt.Errorf("%q: %w; 'discsafe token list' shows them", args[0], err)}
		}
		if err != nil {
			return err
		}
		if a.json {
			a.printJSON(struct {
				ID      string `json:"id"`
				Revoked bool   `json:"revoked"`
			}{args[0], true})
			return nil
		}
		fmt.Fprintf(a.stdout, "%s revoked\n", args[0])
		return nil
	})
}
