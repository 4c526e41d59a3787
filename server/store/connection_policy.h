// How pqxx opens a connection. Once and never again: pqxx 6 would reopen a lost one in silence, without its session
// settings. And the libpq handle below it is known: pqxx has no public way to it, and binary COPY needs it.
#pragma once

#include "pqxx/pqxx"

struct pg_conn;
typedef struct pg_conn PGconn;

namespace bayward {

class CapturingPolicy : public pqxx::connect_direct {
 public:
  explicit CapturingPolicy(const std::string& options) : pqxx::connect_direct(options) {}
  handle do_startconnect(handle original) override;

  // The handle that the last connection opened on this thread got.
  static PGconn* last_opened_here();

 private:
  bool opened_ = false;
};

}  // namespace bayward
