// A value that hardly any object has. It takes eight bytes if it is absent.
#pragma once

#include <memory>
#include <utility>

namespace tickledger {

/// Like std::optional, but the value is allocated separately.
template <typename T>
class Seldom {
public:
    using value_type = T;

    Seldom() = default;
    // NOLINTNEXTLINE(google-explicit-constructor): as std::optional.
    Seldom(T value) : value_(std::make_unique<T>(std::move(value))) {}
    Seldom(const Seldom& other) : value_(other ? std::make_unique<T>(*other) : nullptr) {}
    Seldom(Seldom&&) noexcept = default;
    Seldom& operator=(const Seldom& other) {
        if (this != &other) value_ = other ? std::make_unique<T>(*other) : nullptr;
        return *this;
    }
    Seldom& operator=(Seldom&&) noexcept = default;
    ~Seldom() = default;

    explicit operator bool() const { return value_ != nullptr; }
    [[nodiscard]] bool has_value() const { return value_ != nullptr; }
    /// Precondition of the next four: there is a value.
    T& operator*() { return *value_; }
    const T& operator*() const { return *value_; }
    T* operator->() { return value_.get(); }
    const T* operator->() const { return value_.get(); }

    [[nodiscard]] T value_or(T otherwise) const { return value_ ? *value_ : std::move(otherwise); }
    T& emplace() {
        value_ = std::make_unique<T>();
        return *value_;
    }
    void reset() { value_.reset(); }

    bool operator==(const Seldom& other) const {
        return value_ && other.value_ ? *value_ == *other.value_ : value_ == other.value_;
    }

private:
    std::unique_ptr<T> value_;
};

}  // namespace tickledger
