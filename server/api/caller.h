// Who calls. Every RPC handler gets the caller from the door the call came in through (gRPC, HTTP) and
// decides by it what is shown. A plain value, made once per call; any thread.
#pragma once

#include <string>

namespace bayward {

// Both doors listen on this machine only and ask for no proof of identity, so everybody is the same caller.
// The caller's organisation and role stand here once the doors can prove them; handlers then find them
// without another argument.
struct Caller {
  std::string name = "anonymous local";  // for logs and for what is recorded as done by somebody
};

}  // namespace bayward
