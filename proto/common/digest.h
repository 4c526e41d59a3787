// SHA-256, through OpenSSL, which gRPC brings along. Thread-compatible.
#pragma once

#include <memory>
#include <string>
#include <string_view>

typedef struct evp_md_ctx_st EVP_MD_CTX;

namespace bayward {

class Sha256 {
 public:
  Sha256();
  Sha256(const Sha256& other);
  Sha256& operator=(const Sha256& other);

  void Add(std::string_view bytes);
  // Lower-case hexadecimal, of all added so far; more may be added afterwards.
  std::string Hex() const;

 private:
  struct Free {
    void operator()(EVP_MD_CTX* context) const;
  };
  std::unique_ptr<EVP_MD_CTX, Free> context_;
};

std::string Sha256Hex(std::string_view bytes);

}  // namespace bayward
