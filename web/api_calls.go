package web

import "context"

// ChannelPath names a way of calling people; exported like PrinterPath.
type ChannelPath struct {
	Name string `path:"name" maxLength:"100" doc:"the name of a way on which people are called"`
}

func (a *api) callRoutes() {
	get(a, "/api/calls", "calls", "The ways on which people are called, and how each does",
		func(ctx context.Context, _ *struct{}) (*reply[[]CallChannel], error) {
			list, err := a.house.CallChannels(ctx)
			if err != nil {
				return nil, a.fail(err)
			}
			return answer(listed(list)), nil
		})
	post(a, "/api/calls/{name}/test", "test-call", "Send a test on one way, and say what became of it",
		func(ctx context.Context, in *ChannelPath) (*done, error) {
			if err := a.house.TestCall(ctx, in.Name); err != nil {
				return nil, a.fail(err)
			}
			return nil, nil
		})
}
