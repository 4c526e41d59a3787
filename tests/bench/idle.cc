// Does nothing with the libraries an agent stands on: a yardstick for its memory. Ends with standard input.
#include <cstdio>

#include "grpc/grpc.h"
#include "grpcpp/create_channel.h"
#include "sqlite3.h"

int main() {
  grpc_init();
  const auto channel = grpc::CreateChannel("127.0.0.1:1", grpc::InsecureChannelCredentials());
  sqlite3* database = nullptr;
  if (sqlite3_open(":memory:", &database) != SQLITE_OK) return 1;
  while (std::getchar() != EOF) {
  }
  sqlite3_close(database);
  return 0;
}
