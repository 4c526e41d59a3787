#include "server/store/connection_policy.h"

#include <libpq-fe.h>

namespace bayward {
namespace {

thread_local PGconn* last_opened = nullptr;

}  // namespace

CapturingPolicy::handle CapturingPolicy::do_startconnect(handle original) {
  if (original != nullptr) return original;
  if (opened_) throw pqxx::broken_connection("the connection to the database was lost");
  opened_ = true;
  handle opened = pqxx::connect_direct::do_startconnect(original);
  last_opened = opened;
  return opened;
}

PGconn* CapturingPolicy::last_opened_here() { return last_opened; }

}  // namespace bayward
